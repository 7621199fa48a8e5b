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


def address_key(address: pl.Expr) -> pl.Expr:
    """Reduce addresses to one spelling.

    Parameters
    ----------
    address : polars.Expr
        Text; null stays null, and so does a text without letters or digits.
    """
    bare = (
        address.str.to_uppercase()
        .str.replace_all(r"\bN\.\s?O\.", "NO")
        .str.replace_all(r"[.']", "")
        .str.replace_all(r"[^\w#]+", " ")
        .str.replace_all(rf"\b{UNITS}\s+#?\s*(\w+)", "#$1")
        .str.replace_all(r"#\s*", "#")
        .str.strip_chars()
    )
    for word, short in DIRECTIONS.items():
        # Not the last word of the street's name: "12 North St" is a street called North.
        bare = bare.str.replace(rf"^(\d+\w*) {word} (\w+ \w+)", f"${{1}} {short} ${{2}}")
    unit = bare.str.extract(r"( #\w+.*)$", 1).fill_null("")
    street = bare.str.replace(r" #\w+.*$", "")
    last = street.str.extract(r"(\w+)$", 1)
    street = street.str.replace(r" \w+$", "") + pl.lit(" ") + last.replace(SUFFIXES)
    whole = pl.when(bare.str.contains(r" \w")).then(street + unit).otherwise(bare)
    return pl.when(bare.str.contains(r"\w")).then(whole)
