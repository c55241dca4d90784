"""Short names for new samples, after their blocks."""

from __future__ import annotations

import itertools
from collections.abc import Iterable


def prefixes(blocks: list[str]) -> list[str]:
    """Return a short prefix for each block, no two alike: initials of its words, or the first letters of a single word.

    A block whose name holds no letter or digit, or whose prefix another has taken, gets further letters of the name or
    a letter of its own.
    """
    taken: set[str] = set()
    found = []
    for name in blocks:
        words = ["".join(filter(str.isalnum, word)) for word in name.split()]
        words = [word for word in words if word]
        joined = "".join(words).upper()
        first = "".join(word[0] for word in words).upper() if len(words) > 1 else joined[:2]
        longer = (joined[:length] for length in range(2, len(joined) + 1))
        numbered = (f"{first or 'B'}{chr(65 + k % 26) * (k // 26 + 1)}" for k in itertools.count())
        prefix = next(p for p in itertools.chain([first], longer, numbered) if p and p not in taken)
        taken.add(prefix)
        found.append(prefix)
    return found


def sample_names(block_rows: Iterable[int], blocks: list[str], used: Iterable[str]) -> list[str]:
    """Return a name for each new sample: its block's prefix and a running number that no other sample has.

    Parameters
    ----------
    block_rows : iterable of int
        Row of each sample's block.
    blocks : list of str
        Names of all blocks.
    used : iterable of str
        Samples that are there already.
    """
    heads = [head + "-" if head[-1].isdigit() else head for head in prefixes(blocks)]
    known = {name.casefold() for name in used}
    numbers = [itertools.count(1) for _ in blocks]
    found = []
    for row in block_rows:
        name = next(n for n in (f"{heads[row]}{k:02d}" for k in numbers[row]) if n.casefold() not in known)
        known.add(name.casefold())
        found.append(name)
    return found
