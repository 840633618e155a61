"""Names that may be one and the same node, spelled one way in the register and another in the data."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Collection

CLOSE = 0.8
"""Likeness from which two spellings are close (ratio of matching characters, `difflib`)."""
MOST_PAIRS = 10_000
"""With more pairs of names only those that differ in marks, case or leading zeros are looked for."""


def same_nodes(register: Collection[str], heard: Collection[str]) -> dict[str, str]:
    """Return which names that only the register has may be names that only the data have.

    Parameters
    ----------
    register, heard : collection of str
        Names never heard, and names not registered.

    Returns
    -------
    dict of str to str
        Name in the register to name in the data; each stands in one pair at most.
    """
    pairs = _alike(register, heard)
    left, free = sorted(set(register) - set(pairs)), sorted(set(heard) - set(pairs.values()))
    if len(left) * len(free) <= MOST_PAIRS:
        for name in left:
            close = [h for h in difflib.get_close_matches(name, free, n=5, cutoff=CLOSE) if not _neighbours(name, h)]
            if close:
                pairs[name] = close[0]
                free.remove(close[0])
    return pairs


def _alike(register: Collection[str], heard: Collection[str]) -> dict[str, str]:
    """Names that differ only in marks, case or leading zeros; none where more than two share such a form."""
    forms = Counter(map(_form, [*register, *heard]))
    by_form = {_form(h): h for h in heard}
    return {r: by_form[f] for r in sorted(register) if (f := _form(r)) in by_form and forms[f] == 2}


def _form(name: str) -> tuple[str, ...]:
    """Return a name's letters and numbers, whatever the marks between them."""
    return tuple(part.lstrip("0") or "0" for part in re.findall(r"\d+|[^\W\d_]+", name.casefold()))


def _neighbours(a: str, b: str) -> bool:
    """Whether two names are but numbers of one series, such as P-12 and P-13; digits that swapped places are not."""
    digits = [re.findall(r"\d", name) for name in (a, b)]
    return re.sub(r"\d+", "0", a) == re.sub(r"\d+", "0", b) and sorted(digits[0]) != sorted(digits[1])
