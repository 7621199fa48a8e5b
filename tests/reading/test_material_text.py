"""Material text: read, rejected, or asked about; never guessed."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import material_runs
from pipeline.material_runs import parse_run, spellings
from pipeline.quantities import Fault
from pipeline.vocabulary import Material


def materials(text, **kwargs):
    found = parse_run(text, **kwargs)
    return found.code.value if isinstance(found, Fault) else [segment.material for segment in found]


def test_a_run_with_diameters_and_the_original_pipe():
    first, second, third = parse_run('4" PVC > 4" VCP > 6" VCP (orig.)')
    assert (first.sequence, first.material, first.diameter_in, first.is_original) == (1, "pvc", 4, None)
    assert (second.sequence, second.material, second.diameter_in) == (2, "vitrified_clay", 4)
    assert (third.sequence, third.material, third.diameter_in, third.is_original) == (
        3,
        "vitrified_clay",
        6,
        True,
    )


# Trade spellings, common practice.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("VCP", ["vitrified_clay"]),
        ("v.c.p.", ["vitrified_clay"]),
        ("Terra Cotta", ["vitrified_clay"]),
        ("T/C", ["vitrified_clay"]),
        ("clay/vcp", ["vitrified_clay"]),
        ("C.I", ["cast_iron"]),
        ("black cast iron", ["cast_iron"]),
        ("Orangeburg", ["bituminized_fiber"]),
        ("transite pipe", ["asbestos_cement"]),
        ("SDR-35", ["pvc"]),
        ("PVC sch 40", ["pvc"]),
        ("4 PVC then 6 VCP", ["pvc", "vitrified_clay"]),
        ("4in ABS to 6-inch clay to main", ["abs", "vitrified_clay"]),
        ("PVC -> VCP → CI", ["pvc", "vitrified_clay", "cast_iron"]),
        ("", ["unknown"]),
        ("unk.", ["unknown"]),
        ("n/a", ["unknown"]),
        ("PVC > unknown", ["pvc", "unknown"]),
    ],
)
def test_trade_spellings(text, expected):
    assert materials(text) == expected


@pytest.mark.parametrize(
    "text", ["CIP", "cip", "CT", "TC", "C.T.", "CP", "plastic", "iron", "metal", "SDR", "lined", "PVC > CIP"]
)
def test_two_meanings_are_asked_about(text):
    assert materials(text) == "ambiguous_material"


@pytest.mark.parametrize(
    "text", ["VCP/CI", "ABS&DIP", "PVC and VCP", "CT, ABS", "cast vcp", '4" PVC, 6" VCP']
)
def test_two_materials_without_order_are_asked_about(text):
    assert materials(text) == "ambiguous_material"


@pytest.mark.parametrize(
    "text",
    ["4", "50", "rags", "paper / roots", "flex hose", "VCP ?", "pipe", "xyz > PVC", "seal", "pv", "abz"],
)
def test_what_is_no_material_is_rejected(text):
    assert materials(text) == "unknown_material"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("orangeberg", ["bituminized_fiber"]),
        ("vitrious clay", ["vitrified_clay"]),
        ("cast irn", ["cast_iron"]),
        ("concreet", ["concrete"]),
        ("terra cota", ["vitrified_clay"]),
        ("cncret", "unknown_material"),  # two slips in six letters
        ("pastic", "ambiguous_material"),
        ("pvx", "unknown_material"),  # three letters: a slip would make another material
        ("vcq", "unknown_material"),
    ],
)
def test_slips_of_the_pen(text, expected):
    assert materials(text) == expected


def test_a_slip_between_two_materials_is_not_decided(monkeypatch):
    table = replace(material_runs.spellings(), materials={"copper": "copper", "kopper": "brick"})
    monkeypatch.setattr(material_runs, "spellings", lambda: table)
    assert materials("opper") == "unknown_material"
    assert materials("copperr") == ["copper"]


def test_diameters():
    assert parse_run("100mm PVC")[0].diameter_in == pytest.approx(3.937, abs=5e-4)
    assert parse_run('1 1/2" copper')[0].diameter_in == 1.5
    assert parse_run('4" to 6" VCP').code == "unknown_material"
    assert parse_run('900" PVC').reason == (
        "Diameter 900\" in '900\" PVC' is no diameter of a sewer; 1 to 120 inches are possible. Correct it."
    )


def test_footage_in_the_text():
    first, second = parse_run("4\" PVC 0-12' > 4\" VCP 12-45'")
    assert (first.from_ft, first.to_ft) == (0, 12)
    assert (second.from_ft, second.to_ft) == (12, 45)
    assert parse_run("PVC 0 to 12 ft then VCP")[0].to_ft == 12


def test_the_map_comes_first_and_may_give_an_order():
    assert materials('4" CIP > VCP', words={"cip": "cast_iron"}) == ["cast_iron", "vitrified_clay"]
    assert materials("VCP/CI", words={"VCP/CI": "vitrified_clay > cast_iron"}) == [
        "vitrified_clay",
        "cast_iron",
    ]
    assert materials("ABS > VCP/CI (orig.)", words={"vcp/ci": "vitrified_clay > cast_iron"}) == [
        "abs",
        "vitrified_clay",
        "cast_iron",
    ]
    assert materials("see note", words={"see note": ""}) == ["unknown"]
    assert materials("PVC", words={"pvc": "abs"}) == ["abs"]


def test_messages():
    assert parse_run('4" CIP (orig.)').reason == (
        "Material 'CIP' can be cast-iron pipe or a cured-in-place lining. Explain it with the line "
        '"CIP" = "<material>" under [values.material] in the column map, and load the file again.'
    )
    assert parse_run("VCP/CI").reason == (
        "Material 'VCP/CI' names more than one material and not their order along the line. Explain it with the line "
        '"VCP/CI" = "<material> > <material>" under [values.material] in the column map, and load the file again.'
    )
    assert parse_run("PVC > rags").reason == (
        "Material 'rags' in 'PVC > rags' is a spelling nobody has explained. Explain it with the line "
        '"rags" = "<material>" under [values.material] in the column map, and load the file again.'
    )


def test_what_a_message_tells_to_write_is_then_understood():
    for text in ("CIP", '4" CIP (orig.) > PVC', "rags", "VCP/CI", "flex hose", "VCP ?"):
        reason = parse_run(text).reason
        word = reason.split("with the line ")[1].split(" = ")[0].strip("\"'")
        meaning = "cast_iron > pvc" if "<material> > <material>" in reason else "cast_iron"
        assert not isinstance(parse_run(text, words={word: meaning}), Fault), text


def test_no_spelling_is_both_known_and_asked_about():
    table = spellings()
    assert not set(table.materials) & set(table.ask)
    assert set(table.materials.values()) == set(Material.codes())


SPELT = sorted(
    (word, code)
    for word, code in spellings().materials.items()
    if not set(word.split()) & (spellings().original | spellings().newer)
)


@given(
    parts=st.lists(
        st.tuples(st.sampled_from(SPELT), st.sampled_from([None, 3, 4, 6, 8])), min_size=1, max_size=4
    ),
    separator=st.sampled_from([" > ", ">", " -> ", " → ", " then ", " to "]),
    upper=st.booleans(),
)
def test_a_run_of_known_spellings_comes_back(parts, separator, upper):
    text = separator.join(f'{size}" {word}' if size else word for (word, _), size in parts)
    found = parse_run(text.upper() if upper else text)
    assert not isinstance(found, Fault), found
    assert [(s.material, s.diameter_in) for s in found] == [(code, size) for (_, code), size in parts]


@given(st.text(max_size=40))
def test_any_text_gives_segments_or_a_fault(text):
    found = parse_run(text)
    if not isinstance(found, Fault):
        assert {segment.material for segment in found} <= set(Material.codes())
