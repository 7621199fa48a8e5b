"""Invented names, made of plain words; none is meant to be a real place."""

from __future__ import annotations

import numpy as np

TOWN_NAME = "Quillbourne"

_FIRST = (
    "Amber", "Bracken", "Copper", "Dun", "Elder", "Fallow", "Gorse", "Heron", "Ivy", "Juniper", "Kestrel",
    "Larch", "Moss", "Nettle", "Otter", "Plover", "Quill", "Rowan", "Sorrel", "Teal", "Umber", "Vetch",
    "Willow", "Yarrow", "Wren",
)  # fmt: skip
_SECOND = (
    "bank", "bridge", "croft", "dale", "field", "ford", "gate", "grove", "hollow", "lea", "mere", "moor",
    "ridge", "stead", "wick", "wood", "well", "mead", "brook", "bourne",
)  # fmt: skip
_KINDS = ("Street", "Lane", "Avenue", "Way", "Road")


def street_names(n: int, rng: np.random.Generator) -> list[str]:
    """`n` different street names in random order."""
    bases = [first + second for first in _FIRST for second in _SECOND]
    order = rng.permutation(len(bases))
    names = []
    for i in range(n):
        lap, place = divmod(i, len(bases))
        # A later lap through the words shifts the kind, so that no name comes twice.
        names.append(f"{bases[order[place]]} {_KINDS[(place + lap) % len(_KINDS)]}")
        if lap >= len(_KINDS):
            names[-1] = f"{names[-1]} {lap // len(_KINDS) + 1}"
    return names


def subdivision_names(n: int, rng: np.random.Generator) -> list[str]:
    """`n` different subdivision names; the number behind the name keeps them apart."""
    first = rng.integers(len(_FIRST), size=n)
    second = rng.integers(len(_SECOND), size=n)
    return [
        f"{_FIRST[a]}{_SECOND[b]} Tract {i + 1}" for i, (a, b) in enumerate(zip(first, second, strict=True))
    ]
