"""Export files to check-ins."""
