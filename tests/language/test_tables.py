"""Tables: rows of CSV files become observations, read like those that the dossier lists."""

from __future__ import annotations

import gzip
import time
from pathlib import Path

import pytest

from gaugeglass.language.files import Checked, check, load, specify
from gaugeglass.language.spec import Inexact, Observation
from vessel import MODEL, dossier, faults

FLEET = Path(__file__).parents[1] / "faults/models/fleet.yaml"
HEAD = """format: 1
dossier: yard
model: fleet
subject: An invented yard
givens: {vans: 3}
members: {vehicle: [V1, V2, V3]}
"""
CHARGES = """\
  - id: owners
    file: owners.csv
    method: charging
    value: {column: energy, unit: kWh}
    u: 0.4 kWh
    inputs: {soc_start: {column: from, unit: "%"}, soc_end: {column: to, unit: "%"}}
    at: {vehicle: {column: van}}
    origin: {column: owner}
    date: {column: day}
    grade: B2
    basis: wall
    note: Read off a phone
"""
ROWS = """van,owner,day,from,to,energy,remark
V1,ann,2026-01-02,20,80,36.5,
V2,ben,2026-01-03,10.5,9e1,48,rain

V1,"ann, again",,30,70,24.25,
"""
SCALE = "  - {id: scale, file: scale.csv, method: weighing, value: {column: mass, unit: kg}, u: 5 kg, where: {WHERE}}\n"
WEIGHED = "van,mass,lane,remark\nV1,2000,1,\nV2,2010.0,2,wet\nV3,2020,,wet\nV4,2030,10,present\n"


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with the model of a fleet; the folder of its observations is handed out."""
    for folder in ("models", "observations"):
        (tmp_path / folder).mkdir()
    (tmp_path / "models/fleet.yaml").write_text(FLEET.read_text("utf-8"), "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "observations"


def checked(yard: Path, tables: str, **files: str) -> Checked:
    for name, text in files.items():
        (yard / f"{name}.csv").write_text(text, "utf-8")
    (yard / "yard.yaml").write_text(f"{HEAD}tables:\n{tables}", "utf-8")
    return check("observations/yard.yaml")


def rows(yard: Path, tables: str, **files: str) -> tuple[Observation, ...]:
    found = checked(yard, tables, **files)
    assert found.faults == ()
    assert found.spec is not None
    return found.spec.observations


def weighed(yard: Path, where: str) -> list[float]:
    return [o.value for o in rows(yard, SCALE.replace("WHERE", where), scale=WEIGHED)]


# --- rows ---------------------------------------------------------------------------------------------------


def test_a_row_is_an_observation(yard: Path) -> None:
    first, second, third = rows(yard, CHARGES, owners=ROWS)
    assert first == Observation(
        id="owners:2", method="charging", stated="36.5 kWh", value=36.5, lower=36.5, upper=36.5, u=0.4,
        inputs={"soc_start": 20, "soc_end": 80}, inexact={"soc_start": Inexact(u=0.5), "soc_end": Inexact(half=0.5)},
        origin="ann", date="2026-01-02", grade="B2", basis="wall", at={"vehicle": "V1"}, note="Read off a phone",
        line=2, table="owners",
    )  # fmt: skip
    assert (second.id, second.inputs["soc_end"], second.at) == ("owners:3", 90, {"vehicle": "V2"})
    assert (third.id, third.line, third.origin, third.date) == ("owners:5", 5, "ann, again", "")


def test_rows_stand_behind_the_listed_observations(yard: Path) -> None:
    listed = "observations:\n  - {id: a, method: weighing, value: 2 ± 0.01 t}\ntables:\n"
    tables = SCALE.replace("WHERE", "lane: 2").join([listed, ""])
    (yard / "scale.csv").write_text(WEIGHED, "utf-8")
    (yard / "yard.yaml").write_text(HEAD + tables, "utf-8")
    spec = load("observations/yard.yaml")
    assert [o.id for o in spec.evidence] == ["a", "scale:3"]
    assert [table.id for table in spec.dossier.tables] == ["scale"]


def test_units_are_those_of_the_description(yard: Path) -> None:
    table = (
        "  - {id: t, file: t.csv, method: weighing, value: {column: m, unit: lb}, tolerance: {column: a, unit: kg}}\n"
    )
    (o,) = rows(yard, table, t="m,a\n4409.245,17.3205\n")
    assert (o.value, o.u) == pytest.approx((2000, 10), rel=1e-5)
    assert o.stated == "4409.245 lb"


def test_a_column_of_u_without_a_unit_is_in_that_of_the_value(yard: Path) -> None:
    table = (
        "  - {id: t, file: t.csv, method: weighing, value: {column: m, unit: t}, u: {column: u}, k: 2, rounded: 1 kg}\n"
    )
    (o,) = rows(yard, table, t="m,u\n2.1,0.02\n")
    assert (o.value, o.lower, o.upper, o.u) == pytest.approx((2100, 2099.5, 2100.5, 10))


def test_a_share_in_percent_keeps_its_u_in_points(yard: Path) -> None:
    table = '  - {id: t, file: t.csv, method: survey, value: {column: s, unit: "%"}, u: {column: u}}\n'
    (o,) = rows(yard, table, t="s,u\n80,2\n")
    assert (o.value, o.u) == pytest.approx((0.8, 0.02))


def test_an_input_of_a_column_may_have_a_u(yard: Path) -> None:
    table = CHARGES.replace('{column: to, unit: "%"}', '{column: to, unit: "%", u: 0.002}')
    first = rows(yard, table, owners=ROWS)[0]
    assert first.inexact["soc_end"].u == pytest.approx(0.2)
    assert first.inputs["soc_end"] == 80


def test_counts_have_no_unit(yard: Path) -> None:
    table = "  - {id: t, file: t.csv, method: testing, value: {column: passed}, inputs: {tested: {column: of}}}\n"
    assert [(o.value, o.u, o.inputs["tested"]) for o in rows(yard, table, t="passed,of\n7,10\n0,3\n")] == [
        (7, None, 10),
        (0, None, 3),
    ]


def test_a_table_may_be_private_or_withdrawn_as_a_whole(yard: Path) -> None:
    table = SCALE.replace("where: {WHERE}", "private: true, withdrawn: {date: 2026-01-02, because: The scale was off}")
    found = checked(yard, table, scale=WEIGHED).spec
    assert found is not None
    assert all(o.private for o in found.observations)
    assert found.evidence == ()


def test_an_echo_may_repeat_a_row(yard: Path) -> None:
    (yard / "scale.csv").write_text(WEIGHED, "utf-8")
    listed = 'observations:\n  - {id: a, method: weighing, value: 2 ± 0.01 t, repeats: "scale:2"}\ntables:\n'
    (yard / "yard.yaml").write_text(HEAD + listed + SCALE.replace("WHERE", "lane: 1"), "utf-8")
    assert load("observations/yard.yaml").set_aside == {"a": "repeats scale:2"}


# --- where --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "values"),
    [
        ("van: V2", [2010]),
        ("mass: 2010", [2010]),
        ("lane: [1, 2]", [2000, 2010]),
        ("mass: '> 2010'", [2020, 2030]),
        ("mass: '>= 2010', lane: '< 10'", [2010]),
        ("mass: 2005 .. 2020", [2010, 2020]),
        ("lane: '!= 2'", [2000, 2020, 2030]),
        ("lane: present", [2000, 2010, 2030]),
        ("remark: [present]", [2030]),
    ],
)
def test_where_chooses_rows(yard: Path, where: str, values: list[float]) -> None:
    assert weighed(yard, where) == values


def test_a_row_that_is_left_out_may_say_anything(yard: Path) -> None:
    text = "van,mass\nV1,\nV2,heavy\nV3,2000\n"
    assert [o.id for o in rows(yard, SCALE.replace("WHERE", "van: V3"), scale=text)] == ["scale:4"]


def test_a_table_of_which_nothing_is_left_is_odd(yard: Path) -> None:
    odd = checked(yard, SCALE.replace("WHERE", "van: V9"), scale=WEIGHED).warnings
    assert "'scale.csv': no row passes 'where'" in [w.found for w in odd]
    odd = checked(yard, SCALE.replace("WHERE", "van: V9"), scale="van,mass\n").warnings
    assert "'scale.csv': no row below the names of its columns" in [w.found for w in odd]


# --- files --------------------------------------------------------------------------------------------------


def test_a_packed_table_reads_the_same_and_is_kept_unpacked(yard: Path) -> None:
    plain = rows(yard, CHARGES, owners=ROWS)
    (yard / "owners.csv.gz").write_bytes(gzip.compress(ROWS.encode()))
    found = checked(yard, CHARGES.replace("owners.csv", "owners.csv.gz")).spec
    assert found is not None
    assert found.observations == plain
    assert found.texts["observations/owners.csv.gz"] == ROWS
    (yard / "owners.csv.gz").write_text(ROWS, "utf-8")  # as a record of the unpacked text would have it
    again = check("observations/yard.yaml").spec
    assert again is not None
    assert again.observations == plain


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_endings_of_lines_and_a_mark_of_byte_order_make_no_difference(yard: Path, ending: str) -> None:
    (yard / "scale.csv").write_bytes(b"\xef\xbb\xbf" + WEIGHED.replace("\n", ending).encode())
    assert [o.line for o in rows(yard, SCALE.replace("WHERE", "van: present"))] == [2, 3, 4, 5]


def test_the_text_of_a_table_is_an_input_file(yard: Path) -> None:
    rows(yard, CHARGES, owners=ROWS)
    texts = load("observations/yard.yaml").texts
    assert list(texts) == ["observations/yard.yaml", "models/fleet.yaml", "observations/owners.csv"]
    assert texts["observations/owners.csv"] == ROWS


def test_what_unpacks_to_too_much_is_refused(yard: Path) -> None:
    (yard / "scale.csv").write_bytes(gzip.compress(b"van,mass\n" + b"V1,2000\n" * 3_000_000))
    (fault,) = checked(yard, SCALE.replace("WHERE", "van: V1")).faults
    assert (fault.file, fault.found) == ("observations/scale.csv", "more than 20 MB")


def test_a_table_needs_a_file_to_lie_beside(yard: Path) -> None:
    table = {"id": "t", "file": "t.csv", "method": "weighing", "value": {"column": "m", "unit": "kg"}, "u": "5 kg"}
    (fault,) = faults(MODEL, dossier(tables=[table]))
    assert fault.field == "tables[0].file"
    assert fault.hint == "list the rows themselves, as observations or as numbers"


def test_rows_listed_in_python_are_observations() -> None:
    masses = [2000.0, 2010.0]
    listed = [{"method": "weighing", "value": f"{mass} kg", "u": "5 kg"} for mass in masses]
    assert [o.value for o in specify(MODEL, dossier(*listed)).evidence] == masses


# --- faults and warnings ------------------------------------------------------------------------------------


def test_a_fault_has_the_file_the_line_and_the_column(yard: Path) -> None:
    (fault,) = checked(yard, SCALE.replace("WHERE", "van: present"), scale="van,mass\nV1,2t\n").faults
    assert (fault.file, fault.line, fault.field) == ("observations/scale.csv", 2, "mass")


def test_at_most_twenty_faults_are_shown_and_the_rest_counted(yard: Path) -> None:
    text = "van,mass\n" + "V1,x\n" * 500
    found = checked(yard, SCALE.replace("WHERE", "van: V1"), scale=text).faults
    assert len(found) == 21
    assert (found[-1].line, found[-1].found) == (22, "480 more from this line on")


def test_warnings_of_rows_are_few(yard: Path) -> None:
    table = SCALE.replace("u: 5 kg", "u: 5 kg, rounded: 500 kg").replace("WHERE", "van: present")
    odd = [w for w in checked(yard, table, scale=WEIGHED).warnings if "times the u" in w.found]
    assert len(odd) == 3
    assert "1 more from this line on" in [w.found for w in checked(yard, table, scale=WEIGHED).warnings]


def test_rows_that_stand_twice_are_odd(yard: Path) -> None:
    twice = ROWS + "V1,ann,2026-01-02,20,80,36.5,again\n"
    odd = [w.found for w in checked(yard, CHARGES, owners=twice).warnings]
    assert "1 row says what another observation does: 'owners:6' is as 'owners:2', '36.5 kWh'" in odd


def test_a_row_that_is_listed_too_is_odd(yard: Path) -> None:
    (yard / "owners.csv").write_text(ROWS, "utf-8")
    soc = "inputs: {soc_start: 20 %, soc_end: 80 %}"
    listed = f"  - {{id: a, method: charging, value: 36.5 ± 1 kWh, {soc}, at: {{vehicle: V1}}, basis: wall}}\n"
    (yard / "yard.yaml").write_text(f"{HEAD}observations:\n{listed}tables:\n{CHARGES}", "utf-8")
    odd = [w.found for w in check("observations/yard.yaml").warnings]
    assert "1 row says what another observation does: 'owners:2' is as 'a', '36.5 kWh'" in odd


@pytest.mark.slow
def test_ten_times_the_rows_take_some_ten_times_as_long(yard: Path) -> None:
    """The best of three each, for other work on the machine costs this one time too."""

    def seconds(count: int) -> float:
        lines = [f"V{n % 3 + 1},o{n % 40},2026-01-02,{n % 30},{60 + n % 30},{20 + n / 1000}," for n in range(count)]
        text, taken = "\n".join([ROWS.splitlines()[0], *lines]), []
        for _ in range(3):
            begun = time.process_time()
            assert len(rows(yard, CHARGES, owners=text)) == count
            taken.append(time.process_time() - begun)
        return min(taken)

    assert seconds(5000) < 20 * seconds(500)
