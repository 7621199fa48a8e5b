"""The trade's words for our codes, from `rules/trade_words.toml`; materials have their own module."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources

from pipeline.vocabulary import Vocabulary

_BLUR = re.compile(r"[\s\-_./]+")


def word_key(word: str) -> str:
    """Lower case, with hyphens, underscores, full stops and slashes as spaces; a number's ".0" is dropped."""
    return _BLUR.sub(" ", re.sub(r"(?<=\d)\.0+$", "", word.strip()).casefold()).strip(" !")


@cache
def _shipped() -> dict[str, dict[str, list[str]]]:
    text = resources.files("pipeline.rules").joinpath("trade_words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def codes_by_word(codes: type[Vocabulary], own: Mapping[str, str]) -> dict[str, str]:
    """Words (as `word_key` makes them) to codes; a map's `own` words come before the shipped ones."""
    shipped = {
        word_key(word): code for code, words in _shipped().get(codes.__name__, {}).items() for word in words
    }
    return (
        shipped
        | {word_key(code): code for code in codes.codes()}
        | {word_key(w): code for w, code in own.items()}
    )
