"""Property tests take as long as the machine makes them take, and try the same examples every time."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("lamplighter", deadline=None, derandomize=True)
settings.load_profile("lamplighter")
