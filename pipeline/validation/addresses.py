"""Addresses reduced to one spelling, so that a lot without an id is the same lot every time.

"12 Elm Street", "12 ELM ST." and "12  elm st" all give "12 ELM ST". Only the last word of the street and the
points of the compass are abbreviated; house numbers and units stay as they are.
"""

from __future__ import annotations

import polars as pl

#: Street suffixes and their standard abbreviations (USPS Publication 28, appendix C1; the common ones).
SUFFIXES: dict[str, str] = {
    "ALLEY": "ALY", "AVENUE": "AVE", "AV": "AVE", "AVEN": "AVE", "BOULEVARD": "BLVD", "BOUL": "BLVD", "BEND": "BND", "BRANCH": "BR",
    "CIRCLE": "CIR", "CIRC": "CIR", "COURT": "CT", "COVE": "CV", "CREEK": "CRK", "CRESCENT": "CRES", "CROSSING": "XING",
    "DRIVE": "DR", "DRV": "DR", "EXPRESSWAY": "EXPY", "EXTENSION": "EXT", "FREEWAY": "FWY", "GARDENS": "GDNS", "GLEN": "GLN", "GROVE": "GRV",
    "HEIGHTS": "HTS", "HIGHWAY": "HWY", "HILL": "HL", "HOLLOW": "HOLW", "JUNCTION": "JCT", "KNOLL": "KNL", "LANE": "LN", "LOOP": "LOOP",
    "MANOR": "MNR", "MEADOWS": "MDWS", "MOUNT": "MT", "PARKWAY": "PKWY", "PKY": "PKWY", "PLACE": "PL", "PLAZA": "PLZ", "POINT": "PT",
    "RIDGE": "RDG", "ROAD": "RD", "SQUARE": "SQ", "STATION": "STA", "STREET": "ST", "STR": "ST", "TERRACE": "TER", "TERR": "TER",
    "TRACE": "TRCE", "TRAIL": "TRL", "TURNPIKE": "TPKE", "VALLEY": "VLY", "VIEW": "VW", "VILLAGE": "VLG", "VISTA": "VIS",
}  # fmt: skip
#: Points of the compass (USPS Publication 28, appendix B is of states; directionals are section 233).
DIRECTIONS: dict[str, str] = {
    "NORTH": "N", "SOUTH": "S", "EAST": "E", "WEST": "W",
    "NORTHEAST": "NE", "NORTHWEST": "NW", "SOUTHEAST": "SE", "SOUTHWEST": "SW",
}  # fmt: skip
UNITS = r"(?:APT|APARTMENT|UNIT|STE|SUITE|NO|NUMBER)"


def address_keys(addresses: pl.Series) -> pl.Series:
    """Reduce addresses to one spelling.

    Parameters
    ----------
    addresses : polars.Series
        Text; null stays null, and so does a text without letters or digits.
    """
    known = addresses.drop_nulls().unique()
    if known.is_empty():
        return addresses
    # Step by step in columns, so that polars works each step out once.
    keys = (
        known.to_frame("a")
        .select(
            pl.col("a")
            .str.to_uppercase()
            .str.replace_all(r"\bN\.\s?O\.", "NO")
            .str.replace_all(r"[.']", "")
            .str.replace_all(r"[^\w#]+", " ")
            .str.replace_all(rf"\b{UNITS}\s+#?\s*(\w+)", "#$1")
            .str.replace_all(r"#\s*", "#")
            .str.strip_chars()
        )
        # Not the last word of the street's name: "12 North St" is a street called North.
        .with_columns(direction=pl.col("a").str.extract(rf"^\d+\w* ({'|'.join(DIRECTIONS)}) \w+ \w+"))
        .with_columns(
            pl.when(pl.col("direction").is_null())
            .then("a")
            .otherwise(
                pl.col("a").str.replace(
                    r"^(\d+\w* )(\w+)", pl.lit("${1}") + pl.col("direction").replace(DIRECTIONS)
                )
            )
            .alias("a")
        )
        .with_columns(
            unit=pl.col("a").str.extract(r"( #\w+.*)$", 1).fill_null(""),
            street=pl.col("a").str.replace(r" #\w+.*$", ""),
        )
        .with_columns(last=pl.col("street").str.extract(r"(\w+)$", 1).replace(SUFFIXES))
        .select(
            pl.when(~pl.col("a").str.contains(r"\w"))
            .then(None)
            .when(pl.col("a").str.contains(r" \w"))
            .then(pl.col("street").str.replace(r" \w+$", "") + pl.lit(" ") + pl.col("last") + pl.col("unit"))
            .otherwise("a")
            .alias("key")
        )["key"]
    )
    return addresses.replace_strict(known, keys, default=None, return_dtype=pl.String)
