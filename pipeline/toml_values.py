"""Single values of a rule file: read and checked. Each says where a fault stands, and raises SettingsError."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from models.errors import ModelInputError
from models.money import Spread
from pipeline.errors import SettingsError
from pipeline.vocabulary import Material

#: Stands for every material that is not named.
OTHER = "other"
SPREAD_KEYS = ("low", "likely", "high")
#: Beyond this a number is a slip of the hand, and sums of such overflow.
LARGEST = 1e12


def _is_number(value: Any) -> bool:
    is_one = isinstance(value, int | float) and not isinstance(value, bool)
    return is_one and abs(value) <= LARGEST


def _told(value: Any) -> str:
    told = repr(value)
    return told if len(told) <= 40 else f"{told[:37]}…"


def only_known(names: Iterable[str], known: Sequence[str], where: str) -> None:
    """Refuse a name that means nothing, which is a slip of the hand most often."""
    for name in names:
        if name not in known:
            raise SettingsError(f"{where}: {_told(name)} is unknown. Use: {', '.join(known)}.")


def spread_of(value: Any, where: str, *, least: float = 0.0) -> Spread:
    """Read a range from a table of low, likely and high, none of which is below `least`.

    Raises
    ------
    SettingsError
        One is missing, too small or out of order.
    """
    example = "Write it as { low = 100, likely = 150, high = 250 }."
    if not isinstance(value, Mapping) or set(value) != set(SPREAD_KEYS):
        raise SettingsError(f"{where}: low, likely and high are needed. {example}")
    numbers = [value[key] for key in SPREAD_KEYS]
    for key, number in zip(SPREAD_KEYS, numbers, strict=True):
        if not _is_number(number):
            raise SettingsError(f"{where}: {key} is {_told(number)}, which is no number. {example}")
        if number < least:
            limit = f"it must be {least:g} or more" if least else "it cannot be negative"
            raise SettingsError(f"{where}: {key} is {number:g}; {limit}. Correct it.")
    try:
        return Spread(*(float(number) for number in numbers))
    except ModelInputError as exc:
        raise SettingsError(
            f"{where}: low, likely and high do not rise in this order. Correct them."
        ) from exc


def number_of(value: Any, where: str, *, low: float = 0.0, high: float = LARGEST) -> float:
    """Read a number from `low` to `high`."""
    if not _is_number(value) or not low <= value <= high:
        limits = f"from {low:g} up" if high == LARGEST else f"from {low:g} to {high:g}"
        raise SettingsError(f"{where}: {_told(value)} is not a number {limits}. Correct it.")
    return float(value)


def share_of(value: Any, where: str) -> float:
    """Read a share."""
    if not _is_number(value) or not 0 <= value <= 1:
        raise SettingsError(f"{where}: {_told(value)} is not a share from 0 to 1. Correct it.")
    return float(value)


def shares_of(value: Any, where: str) -> Spread:
    """Read a range of shares."""
    spread = spread_of(value, where)
    if spread.high > 1:
        raise SettingsError(f"{where}: high is {spread.high:g}; a share is 1 at most. Write 40 % as 0.4.")
    return spread


def rate_of(value: Any, where: str) -> float:
    """Read a yearly rate."""
    if not _is_number(value) or not -0.5 <= value <= 0.5:
        raise SettingsError(
            f"{where}: {_told(value)} is not a yearly rate between -0.5 and 0.5. Write 3 % as 0.03."
        )
    return float(value)


def whole_of(value: Any, where: str) -> int:
    """Read a whole number from 1 up."""
    if not _is_number(value) or not isinstance(value, int) or value < 1:
        raise SettingsError(f"{where}: {_told(value)} is not a whole number from 1 up. Correct it.")
    return value


def text_of(value: Any, where: str) -> str:
    """Read a text that says something."""
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(f"{where}: write a text in quotes.")
    return value.strip()


def flag_of(value: Any, where: str) -> bool:
    """Read true or false."""
    if not isinstance(value, bool):
        raise SettingsError(f"{where}: write true or false.")
    return value


def ages_of(value: Any, where: str) -> dict[str, float]:
    """Read an age [years] for some materials, and one for all others."""
    if not isinstance(value, Mapping) or OTHER not in value:
        raise SettingsError(f"{where}: name an age for materials, and one for '{OTHER}'.")
    for name in value:
        if name != OTHER and name not in Material.codes():
            raise SettingsError(
                f"{where}: unknown material '{name}'. Use one of: {', '.join(Material.codes())}."
            )
    return {name: number_of(age, f"{where}, {name}") for name, age in value.items()}
