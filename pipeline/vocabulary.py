"""The closed lists of the trade, each word with its meaning.

Every code stored in the warehouse comes from here. What a stranger's spreadsheet calls these things is
translated by the column map and `material_runs`; nothing else may add a word.
"""

from __future__ import annotations

from enum import StrEnum


class Vocabulary(StrEnum):
    """A closed list whose members carry the sentence that defines them."""

    meaning: str

    def __new__(cls, code: str, meaning: str) -> Vocabulary:
        """Keep the code as the value and the definition beside it."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.meaning = meaning
        return member

    @classmethod
    def codes(cls) -> tuple[str, ...]:
        """All codes, in the order of definition."""
        return tuple(member.value for member in cls)

    @property
    def label(self) -> str:
        """The code as words for people."""
        return self.value.replace("_", " ")


class Material(Vocabulary):
    """What a segment is made of."""

    VITRIFIED_CLAY = (
        "vitrified_clay",
        "fired clay, bell-and-spigot; mortar joints before about 1958, rubber after",
    )
    CONCRETE = "concrete", "plain or reinforced concrete pipe"
    CAST_IRON = "cast_iron", "cast iron with lead or gasket joints, or hubless"
    DUCTILE_IRON = "ductile_iron", "ductile iron with push-on gaskets"
    ASBESTOS_CEMENT = "asbestos_cement", "asbestos cement; handling hazard, defer to local rules"
    BITUMINIZED_FIBER = "bituminized_fiber", "pitch-soaked fibre pipe, flattens with age; may hold asbestos"
    ABS = "abs", "black solvent-welded plastic"
    PVC = "pvc", "polyvinyl chloride, solvent-welded or gasketed"
    POLYETHYLENE = "polyethylene", "HDPE or other polyethylene or polypropylene, fused"
    CURED_IN_PLACE = "cured_in_place", "resin liner cured inside an older host pipe"
    GLASS_FIBER = "glass_fiber", "glass-fibre reinforced plastic"
    POLYMER_CONCRETE = "polymer_concrete", "concrete bound by resin"
    LINED_CONCRETE = "lined_concrete", "concrete with a factory lining"
    STEEL = "steel", "steel, galvanised or plain"
    COPPER = "copper", "copper stub"
    LEAD = "lead", "lead stub"
    BRICK = "brick", "brick or stone masonry"
    UNKNOWN = "unknown", "not recorded, or not readable without asking"

    @property
    def label(self) -> str:
        """The name of the material for people."""
        return MATERIAL_LABELS.get(self.value, self.value.replace("_", " "))


#: Names of materials that are more than their code as words.
MATERIAL_LABELS = {
    Material.ABS.value: "ABS",
    Material.PVC.value: "PVC",
    Material.CURED_IN_PLACE.value: "cured-in-place lining",
    Material.GLASS_FIBER.value: "glass fibre",
    Material.BITUMINIZED_FIBER.value: "pitch fibre",
    Material.UNKNOWN.value: "not recorded",
}


class FindingKind(Vocabulary):
    """Something the camera saw at a footage."""

    CRACK = "crack", "a line in the wall that has not opened"
    FRACTURE = "fracture", "an opened crack, pieces still in place"
    HOLE = "hole", "wall missing, soil or void seen"
    COLLAPSE = "collapse", "the pipe has lost its shape; the camera may not pass"
    DEFORMATION = "deformation", "bore flattened or out of round"
    CORROSION = "corrosion", "wall or invert eaten away"
    OFFSET_JOINT = "offset_joint", "pipe ends out of line"
    SEPARATED_JOINT = "separated_joint", "pipe ends apart"
    INFILTRATION = "infiltration", "ground water coming in"
    ROOTS = "roots", "roots in the bore"
    BELLY = "belly", "a low stretch that holds water when the line is drained"
    STANDING_WATER = "standing_water", "water seen standing, cause not judged"
    GREASE = "grease", "grease on the wall"
    SCALE = "scale", "mineral or rust build-up"
    DEBRIS = "debris", "loose matter in the bore"
    INTRUDING_TAP = "intruding_tap", "a connection that sticks into the bore"
    FOREIGN_LINE = "foreign_line", "another utility's line crossing the bore: stop work, may be gas"
    MATERIAL_CHANGE = "material_change", "not a defect: one material ends, another begins"
    DIAMETER_CHANGE = "diameter_change", "not a defect: the bore changes size"


class Outcome(Vocabulary):
    """Families of failure that are kept apart, and their union."""

    STRUCTURAL = "structural", "repair-grade crack, fracture, hole, collapse, deformation or corrosion"
    ROOTS_JOINTS = "roots_joints", "repair-grade roots, offset or separated joint, or infiltration"
    GRADE = "grade", "repair-grade belly, judged only on a drained line"
    ANY = "any", "any repair-grade structural, root, joint or grade finding; upkeep is not counted"


class FindingFamily(Vocabulary):
    """The outcome a finding speaks to; upkeep and features speak to none."""

    STRUCTURAL = "structural", "the pipe itself"
    ROOTS_JOINTS = "roots_joints", "roots, and the joints that let them in"
    GRADE = "grade", "slope lost: bellies"
    UPKEEP = "upkeep", "grease, scale, debris: cleaning, not ageing"
    HAZARD = "hazard", "another utility's line in the pipe"
    FEATURE = "feature", "not a defect"


class LateralPart(Vocabulary):
    """What of a connection is ranked and renewed; who owns which part is a local rule."""

    LOWER = "lower", "the lower lateral, from the property line to the main, tie-in included"
    UPPER = "upper", "the upper lateral, from the building to the property line"
    TIE_IN = "tie_in", "the last segment, which meets the main"
    WHOLE = "whole", "the whole lateral"

    @classmethod
    def of(cls, code: str) -> LateralPart:
        """The part with this code."""
        return next(part for part in cls if part.value == code)

    @property
    def label(self) -> str:
        """The part as its name in the trade."""
        return "tie-in" if self.value == "tie_in" else f"{self.value} lateral"


class Verdict(Vocabulary):
    """Condition of a segment or line, mild to severe."""

    SERVICEABLE = "serviceable", "nothing that needs work"
    MONITOR = "monitor", "look again later"
    REPAIR = "repair", "needs repair"
    REPLACE = "replace", "past repair"


class Purpose(Vocabulary):
    """Why the camera went in."""

    PRE_SALE = "pre_sale", "before a house is sold"
    BACKUP = "backup", "because sewage backed up"
    WARRANTY = "warranty", "at the end of a builder's or contractor's warranty"
    ROUTINE = "routine", "planned look without complaint"
    POST_REPAIR = "post_repair", "to check finished work"
    OTHER = "other", "another stated reason"
    UNKNOWN = "unknown", "not recorded"


class Correction(Vocabulary):
    """Known biases of inspection records that the fits allow for; each can be switched off to see its effect."""

    ENDED_LIVES = "ended_lives", "pipe dug out or lined before a look had failed by then, not vanished"
    INSTALL_YEARS = "install_years", "a year not on record is spread over when like pipe nearby was laid"
    UNKNOWN_MATERIAL = "unknown_material", "pipe of unrecorded material counts as each it may be"
    AREAS = "areas", "lots of one area fail alike, for reasons that no column names"


class Consent(Vocabulary):
    """What an inspection may be used for beyond the client's own report; kept per inspection."""

    NONE = "none", "kept on record, used in nothing"
    AGGREGATE = "aggregate", "counts in curves, scores and areas; its own result is told to nobody else"
    IDENTIFIED = "identified", "its result may be told together with the address"


class Access(Vocabulary):
    """Where the camera entered; zero of the footage."""

    CLEAN_OUT = "clean_out", "an access fitting on the lateral"
    PULLED_TOILET = "pulled_toilet", "the flange under a removed toilet; interior pipe comes first"
    ROOF_VENT = "roof_vent", "down a vent stack; interior pipe comes first"
    MANHOLE = "manhole", "from the public sewer, looking upstream"
    UNKNOWN = "unknown", "not recorded"


class WorksKind(Vocabulary):
    """What was done to the pipe."""

    CLEANING = "cleaning", "cleaned or cut roots; the pipe is as old as before"
    REPAIR = "repair", "spot repair; the rest of the segment lives on"
    LINING = "lining", "relined: the old life ends, a cured-in-place life begins"
    REPLACEMENT = "replacement", "new pipe: the old life ends, a new one begins"


class WorksReason(Vocabulary):
    """Why the works were done; decides whether an ended life counts as failed."""

    FAILURE = "failure", "the pipe had failed"
    PLANNED = "planned", "sound or unknown pipe renewed for another reason"
    UNKNOWN = "unknown", "not recorded"


class SoilKind(Vocabulary):
    """Soil around the pipe, as far as it matters here."""

    EXPANSIVE_CLAY = "expansive_clay", "swells and shrinks with moisture"
    OTHER = "other", "any other soil"
    UNKNOWN = "unknown", "not recorded"


class RejectReason(Vocabulary):
    """Why a row was not taken; the row is kept with this code and a sentence."""

    MISSING_VALUE = "missing_value", "a value that the row cannot do without is empty"
    NOT_A_NUMBER = "not_a_number", "text where a number belongs"
    NOT_A_DATE = "not_a_date", "text where a date belongs"
    AMBIGUOUS_DATE = "ambiguous_date", "day and month cannot be told apart; name the format in the map"
    OUT_OF_RANGE = "out_of_range", "outside what is possible for this column"
    UNKNOWN_CODE = "unknown_code", "a word that is in no list and no map"
    UNKNOWN_MATERIAL = "unknown_material", "a material spelling nobody has explained"
    AMBIGUOUS_MATERIAL = "ambiguous_material", "a material spelling with two meanings, such as CIP"
    IMPOSSIBLE_FOOTAGE = "impossible_footage", "ends before it begins, or beyond the surveyed length"
    DATE_IN_FUTURE = "date_in_future", "later than the day of loading"
    BEFORE_INSTALLATION = "before_installation", "inspected before the pipe was laid"
    DUPLICATE_CONFLICT = "duplicate_conflict", "the same id twice in one file with different content"
    UNKNOWN_PARENT = "unknown_parent", "names a lot or inspection that is not on record"
    WRONG_PLACE = "wrong_place", "coordinates that cannot be what they claim to be"
    MALFORMED_ROW = "malformed_row", "more or fewer fields than the header names"


class CheckKind(Vocabulary):
    """Contradictions found in accepted records; listed, never silently mended."""

    INSTALL_AFTER_FAILURE = (
        "install_after_failure",
        "the recorded install year is later than a recorded failure",
    )
    PIPE_OLDER_THAN_HOUSE = "pipe_older_than_house", "the pipe is older than the house it serves"
    HOUSE_AFTER_INSPECTION = "house_after_inspection", "the house was built after the inspection (rebuilt?)"
    CONFLICTING_HOUSE_YEARS = "conflicting_house_years", "jobs at one lot give its house different years"
    MATERIAL_BEFORE_ITS_TIME = "material_before_its_time", "laid before this material was sold here"
    HEAPED_AGES = "heaped_ages", "more ages end in 0 or 5 than chance allows"
    REPEATS_NEVER_CHANGE = "repeats_never_change", "repeat looks carry the same class almost always"
    CONTRADICTORY_LOOKS = "contradictory_looks", "a later look calls good what an earlier one called bad"
    RECODED_YOUNG_AGES = "recoded_young_ages", "no failures at all below an age where they then start at once"
    CURVE_BENDS_DOWN = (
        "curve_bends_down",
        "the failed share falls at the oldest ages: survivors, not recovery",
    )
    SURVEY_INCOMPLETE = "survey_incomplete", "the camera did not reach the tie-in; the rest is unseen"
