"""Statistics on plain arrays; no word of the trade in here."""
