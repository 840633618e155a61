"""From an assessment to a page a person reads."""
