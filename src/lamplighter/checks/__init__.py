"""The checks: one module or package a question, run in the order of the list in assess.py."""
