"""The benchmark: ``python -m tests.bench``."""
