"""Reading a shop's stock list: what is taken, what is refused and where, and that nothing makes it fall over."""

from __future__ import annotations

import contextlib
import io
import json
import sys
import zipfile
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from identify import cli, tables
from identify.errors import IdentifyError, TableError, UsageError
from identify.tables import spreadsheet, stock

T = tables.load()
HEAD = "part number,class,body diameter,thread,base,quantity,price\n"


@pytest.fixture
def saved(tmp_path):
    """A list of this text or of these bytes."""

    def save(content: str | bytes, name: str = "list.csv"):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return save


@pytest.fixture
def workbook(tmp_path):
    """A workbook whose first sheet holds these lines."""
    openpyxl = pytest.importorskip("openpyxl")

    def save(lines, others=()):
        book = openpyxl.Workbook()
        for line in lines:
            book.active.append(line)
        for name in others:
            book.create_sheet(name)
        path = tmp_path / "list.xlsx"
        book.save(path)
        return path

    return save


def told(path) -> list[str]:
    found = stock.examine(path)
    assert (found.stock is None) == bool(found.problems)
    return [str(each) for each in found.problems]


def stated(path) -> list[tuple]:
    return [
        (each.part_number, each.row.class_id, each.row.thread, each.row.ranges, each.quantity, each.price)
        for each in stock.read(path).rows
    ]


WANTED = [
    ("A-1", "single-lever-cartridge", "", {"body_diameter": (34.7, 35.3)}, 12, 9.5),
    ("A-2", "compression-screw", "G1/2", {}, 0, None),
]


@pytest.mark.parametrize(
    "text",
    [
        "part_number,class,body_diameter,thread,quantity,price\nA-1,single-lever-cartridge,35+-0.3,,12,9.50\n"
        "A-2,compression-screw,,G1/2,0,\n",
        "Part No.;Class;Body Diameter (mm);THREAD;Qty;Price\nA-1;Single-lever cartridge;35,0 ± 0,3;;12;9,5\n"
        'A-2;Screw-down head;;G ½";0;\n',
        "sku\tkind\tbody diameter [mm]\tbody diameter tolerance mm\tthread\tin stock\tprice\n"
        "A-1\tsingle lever cartridge\t35 mm\t±0,3\t\t12,00\t9.5\nA-2\tCOMPRESSION SCREW\t\t\tg 1/2\t0\t\n",
        'sep=;\r\nPART-NUMBER;class;body_diameter_mm;thread;quantity;price\r\n"A-1";single-lever-cartridge;34.7..35.3;;12;'
        "9.50\r\n;;;;;\r\nA-2;compression-screw;;G1/2;0\r\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_the_same_list_written_in_several_ways(saved, text, encoding):
    """Separators, decimal marks, case, units and encodings that spreadsheet programs write; quotes as RFC 4180."""
    assert stated(saved(text.encode(encoding))) == WANTED


@pytest.mark.parametrize(
    ("cell", "low", "high"),
    [
        ("35", 34.5, 35.5),  # a rounded number stands for all that round to it: half of the last digit
        ("35.0", 34.95, 35.05),
        ("35,25", 35.245, 35.255),
        ("35 +/- 0.3 mm", 34.7, 35.3),
        ("34.7 to 35.3", 34.7, 35.3),
        ("34,7–35,3", 34.7, 35.3),
    ],
)
def test_what_a_size_states(saved, cell, low, high):
    [row] = stated(saved(f'part_number,class,body_diameter\nA,single-lever-cartridge,"{cell}"\n'))
    assert row[3]["body_diameter"] == pytest.approx((low, high), abs=1e-9)


def test_columns_are_called_as_in_the_tables(saved):
    """Every quantity and attribute of the tables can be given by its id or, for a quantity, by its name."""
    for name, quantity in T.quantities.items():
        middle = round((quantity.low + quantity.high) / 2)
        for header in (name, name.upper().replace("_", " "), quantity.name):
            [row] = stated(saved(f"part_number,class,{header}\nA,sensor,{middle}\n"))
            low, high = row[3][name]
            assert low <= middle <= high
    for row in T.candidates.values():
        for name, values in [*row.attributes.items(), *row.options.items()]:
            if name not in T.quantities:
                [own] = stock.read(saved(f"sku,class,{name}\nA,sensor,{values[0].upper()}\n")).rows
                assert own.row.attributes == {name: (values[0],)}


BAD = [
    (",sensor,,,,,", "list.csv:2:1 (part_number): is empty; a value is needed."),
    ("A,,,,,,", "list.csv:2:2 (class): is empty; a value is needed."),
    ("A,sensr,,,,,", "list.csv:2:2 (class): 'sensr' is no known class; write sensor."),
    ("A,none,,,,,", "list.csv:2:2 (class): 'none' is no known class; write one of"),
    ("A,sensor,35 cm,,,,", "list.csv:2:3 (body_diameter): '35 cm' is no body diameter in mm; write a number such"),
    ("A,sensor,350,,,,", "list.csv:2:3 (body_diameter): '350' is no body diameter between 8 and 90; check the number"),
    ("A,sensor,-35,,,,", "list.csv:2:3 (body_diameter): '-35' is no body diameter in mm"),
    ("A,sensor,36..35,,,,", "list.csv:2:3 (body_diameter): '36..35' has its least above its most"),
    ("A,sensor,,1/2,,,", "list.csv:2:4 (thread): '1/2' is no known thread; write "),
    ("A,sensor,,,flatt,,", "list.csv:2:5 (base): 'flatt' is no known base; write flat."),
    ("A,sensor,,,,-1,", "list.csv:2:6 (quantity): '-1' is no number of pieces"),
    ('A,sensor,,,,"1,000",', "list.csv:2:6 (quantity): '1,000' is no number of pieces"),
    ("A,sensor,,,,1.5,", "list.csv:2:6 (quantity): '1.5' is no number of pieces"),
    ("A,sensor,,,,,EUR 5", "list.csv:2:7 (price): 'EUR 5' is no price"),
    ("A,sensor,,,,,1.000", "list.csv:2:7 (price): '1.000' is no price"),
    ("A,sensor,35,2,,,,", "list.csv:2:4 (thread): '2' is no known thread"),
    ("A,sensor,,,,1,2,3", "list.csv:2:8 (line): has 8 cells, more than the header; put a number with a decimal comma"),
    ("A\x1b[31m,sensor,,,,,", "list.csv:2:1 (part_number): 'A\\x1b[31m' holds characters that can't be shown"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "wanted"), BAD, ids=[wanted.split(":")[2] + line for line, wanted in BAD])
def test_a_bad_cell_is_named_with_its_place_its_value_and_what_to_do(saved, line, wanted):
    problems = told(saved(f"{HEAD}{line}\n"))
    assert problems[0].startswith(wanted)
    assert len(problems) == 1


def test_a_part_number_stands_once(saved):
    text = f"{HEAD}A,sensor,,,,,\n\nB,sensor,,,,,\nA,sensor,,,,,\n"
    assert told(saved(text)) == ["list.csv:5:1 (part_number): 'A' is already in line 2; give each part one line."]


def test_a_size_must_be_of_its_thread(saved):
    """ISO 228-1: the outer diameter of G1/2 lies between 20.671 and 20.955 mm."""
    head = "sku,class,thread,thread_major_diameter\n"
    assert stated(saved(f"{head}A,compression-screw,G1/2,20.9\n"))
    assert told(saved(f"{head}A,compression-screw,G1/2,26.4\n")) == [
        "list.csv:2:4 (thread_major_diameter): '26.4' is not of a G1/2 thread (20.671 to 20.955); "
        "mend one, or leave one empty."
    ]


def test_a_count_is_whole_and_a_tolerance_has_its_size(saved):
    head = "sku,class,spline_count,body_diameter,body_diameter_tol\n"
    assert told(saved(f"{head}A,sensor,20.5,,\nB,sensor,20,,\nC,sensor,,,0.3\nD,sensor,,35,x\n")) == [
        "list.csv:2:3 (spline_count): '20.5' is no number of splines: it is a count; write a whole number.",
        "list.csv:4:5 (body_diameter_tolerance): '0.3' stands without a body_diameter; give the size too.",
        "list.csv:5:5 (body_diameter_tolerance): 'x' is no tolerance in mm; write the half width, such as 0.3.",
    ]


def test_lines_are_counted_as_the_user_sees_them(saved):
    """A quoted cell may hold a line break (RFC 4180, 2.6); the next part is then two lines further down."""
    text = 'sku,class,description\nA,sensor,"two\nlines"\nB,sensr,\n'
    assert told(saved(text)) == ["list.csv:4:2 (class): 'sensr' is no known class; write sensor."]


def test_all_problems_come_together_and_nothing_is_taken(saved):
    path = saved(HEAD + "".join(f"A{at},sensor,{at + 80},,,-1,\n" for at in range(20)) + "A,sensor,35,,,1,\n")
    assert len(told(path)) == 29  # 20 quantities below none, 9 diameters above 90 mm
    with pytest.raises(TableError, match=r"list.csv:2:6 .* \(28 more; tapwright stock check lists them all.\)"):
        stock.read(path)


def test_unknown_columns_are_left_out_with_a_remark_but_a_slip_is_refused(saved):
    found = stock.examine(saved("sku,class,Supplier,Shelf\nA,sensor,=1+1,x\n"))
    assert found.remarks[0] == "Columns that mean nothing here are left out: Supplier, Shelf."
    assert found.stock is not None
    assert told(saved("sku,class,body_diametr\nA,sensor,35\n")) == [
        "list.csv:1:3 (body_diametr): unknown column; call it body_diameter, or rename it if it is something else."
    ]
    assert told(saved("sku,class,Part No\nA,sensor,B\n")) == [
        "list.csv:1:3 (Part No): means part_number as 'sku' does; keep one of the two."
    ]
    assert told(saved("colour,shape\nA,B\n")) == [
        "list.csv:1:2 (part_number): the column is missing; see tapwright stock template.",
        "list.csv:1:2 (class): the column is missing; see tapwright stock template.",
    ]
    assert told(saved("sku,class\n")) == ["list.csv:1:1 (part_number): no part stands below the header."]


@pytest.mark.parametrize(
    ("content", "wanted"),
    [
        (b"", "is empty"),
        (b"\n \n;;\n", "is empty"),
        (b"sku,class\nA,sensor\xe9\n", "list.csv:2: is not in UTF-8; save the list as 'CSV UTF-8'"),
        (b"sku,class\nA,sen\0sor\n", "list.csv:2: is no text"),
        (b"PK\x03\x04rest", "is no text but a workbook"),
        (b'sku,class\n"A"B,sensor\n', "list.csv:2: can't be split into cells"),
        (b'sku,class\nA,"sensor\n', "list.csv:2: can't be split into cells"),
        (b"sku,class\nA," + b"x" * 1001 + b"\n", "list.csv:2:2: a cell of more than 1000 characters"),
        (b"sku,class\n" + b"A,sensor\n" * 50_000, "more than 50000 lines; split the list"),
        (b"a" + b",a" * 200 + b"\n", "list.csv:1: more than 200 columns"),
        (b"x" * 20_000_001, "larger than 20 MB"),
    ],
    ids=lambda value: value[:30].decode("latin-1") if isinstance(value, bytes) else None,
)
def test_a_file_that_is_no_list(saved, content, wanted):
    with pytest.raises(TableError) as why:
        stock.examine(saved(content))
    assert wanted in str(why.value)


@pytest.mark.parametrize("name", ["absent.csv", "list.xls", "list.xlsm", "list.pdf"])
def test_a_file_of_another_kind_is_wrong_usage(tmp_path, name):
    if not name.startswith("absent"):
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(UsageError):
        stock.examine(tmp_path / name)


def test_a_workbook_reads_like_the_text(workbook):
    lines = [
        ["Part No", "Class", "Body diameter (mm)", "Body diameter tol", "Thread", "Qty", "Price"],
        ["A-1", "single-lever-cartridge", 35.0, 0.3, None, 12, 9.5],
        [None, None, None, None, None, None, None],
        ["A-2", "Screw-down head", None, None, "G1/2", 0, None],
    ]
    assert stated(workbook(lines)) == WANTED
    found = stock.examine(workbook(lines, others=["prices"]))
    assert found.remarks == ("Only the first sheet, 'Sheet', is read; not 'prices'.",)


def test_cells_of_a_workbook_keep_their_places_and_kinds(workbook):
    """A number is a part number too; a date that a program made of a thread is named; a formula is never run."""
    lines = [["sku", "class", "thread"], [4711, "sensor"], ["A", "sensor", date(2026, 2, 1)], ["=1+1", "sensor"]]
    assert told(workbook(lines)) == [
        "list.xlsx:3:3 (thread): '2026-02-01' is no known thread; write one of " + ", ".join(T.threads) + ".",
        "list.xlsx:4:1 (part_number): is empty; a value is needed.",
    ]
    assert stated(workbook(lines[:2]))[0][0] == "4711"


def test_a_workbook_that_unpacks_to_too_much_is_refused(saved):
    """101 MB of zeros pack into 0.5 MB: the archive's own directory tells before anything is unpacked."""
    pytest.importorskip("openpyxl")
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w") as part,
    ):
        for _ in range(101):
            part.write(bytes(1_000_000))
    assert len(packed.getvalue()) < 2_000_000
    with pytest.raises(TableError, match="unpacks to 101 MB"):
        stock.examine(saved(packed.getvalue(), "list.xlsx"))


def test_without_the_extra_one_sentence_says_what_to_install(saved, monkeypatch):
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(UsageError) as why:
        stock.examine(saved(b"PK\x03\x04", "list.xlsx"))
    assert str(why.value) == (
        "list.xlsx: reading .xlsx needs openpyxl: pip install 'tapwright[stock]', or save the list as CSV."
    )


def test_formulas_are_text_and_are_written_harmless(saved, tmp_path, capsys):
    """What starts a formula: =, +, -, @, tab, carriage return, and their full-width forms (OWASP, CSV injection)."""
    [row] = stock.read(saved('sku,class,description\n=1+1,sensor,"=HYPERLINK(""http://x"")"\n')).rows
    assert (row.part_number, row.row.description) == ("=1+1", '=HYPERLINK("http://x")')
    bad = saved("sku,class\n=cmd|' /C calc'!A0,sensr\n+1,@SUM(A1)\n")
    out = tmp_path / "out.csv"
    assert cli.main(["stock", "check", str(bad), "--problems", str(out)]) == 1
    capsys.readouterr()
    cells = [cell for line in spreadsheet.read(out).lines for cell in line.cells]
    assert "'@SUM(A1)" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert [spreadsheet.harmless(cell)[0] for cell in ("=1", "+1", "-1", "@a", "\t=1", "＝1", "a=1")] == [
        *"''''''",
        "a",
    ]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(max_size=400), st.text(max_size=400).map(str.encode)))
def test_any_bytes_are_read_or_refused(tmp_path, content):
    for name in ("any.csv", "any.xlsx"):
        path = tmp_path / name
        path.write_bytes(content)
        with contextlib.suppress(IdentifyError):
            assert isinstance(stock.examine(path), stock.Examined)


CELLS = st.one_of(
    st.text(alphabet=st.characters(blacklist_categories=["Cs"]), max_size=12),
    st.sampled_from(
        ["sensor", "35", "35±0.3", "3..4", "G1/2", "1e9", "9" * 30, "٣٥", "½", "=1", "0", "-0", "flat", ""]
    ),
    st.floats().map(str),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(st.lists(CELLS, max_size=9), min_size=1, max_size=5), delimiter=st.sampled_from([",", ";", "\t"]))
def test_any_cells_are_taken_or_named(tmp_path, lines, delimiter):
    """Each problem lies inside the file; what is taken is within the limits of its quantity."""
    names = ["sku", "class", "body diameter", "body diameter tol", "thread", "spline_count", "base", "qty", "price"]
    quoted = [[f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in line] for line in [names, *lines]]
    path = tmp_path / "cells.csv"
    path.write_text("\n".join(delimiter.join(line) for line in quoted), encoding="utf-8")
    try:
        found = stock.examine(path)
    except TableError:
        return
    height = path.read_text(encoding="utf-8").count("\n") + 1
    for each in found.problems:
        assert 1 <= each.line <= height + 1
        assert 1 <= each.column <= len(names)
    for row in found.stock.rows if found.stock else ():
        for name, (low, high) in row.row.ranges.items():
            assert T.quantities[name].low <= (low + high) / 2 <= T.quantities[name].high
        assert row.quantity is None or row.quantity >= 0


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0, 1, exclude_max=True), byte=st.integers(0, 255), cut=st.booleans())
def test_a_damaged_workbook_is_read_or_refused(workbook, at, byte, cut):
    path = workbook([["sku", "class"], ["A", "sensor"]])
    data = bytearray(path.read_bytes())
    place = int(at * len(data))
    data[place] = byte
    path.write_bytes(data[:place] if cut else data)
    with contextlib.suppress(IdentifyError):
        assert isinstance(stock.examine(path), stock.Examined)


def test_the_template_is_itself_a_sound_list(tmp_path, capsys):
    out = tmp_path / "parts.csv"
    assert cli.main(["stock", "template", str(out)]) == 0
    assert cli.main(["stock", "template", str(out)]) == 2  # never over a list
    capsys.readouterr()
    assert cli.main(["stock", "template"]) == 0
    printed = capsys.readouterr().out
    assert printed.splitlines() == out.read_text(encoding="utf-8-sig").splitlines()
    assert len(stock.read(out).rows) == 2
    assert set(T.quantities) <= {name.removesuffix("_mm") for name in printed.splitlines()[0].split(",")}


def test_check_sums_up_a_sound_list(saved, capsys):
    path = saved(f"{HEAD}A,sensor,35,,,3,\nB,sensor,35,,,,\nC,compression-screw,,G1/2,,4,\n")
    assert cli.main(["stock", "check", str(path)]) == 0
    assert capsys.readouterr().out.split() == (
        "list.csv is sound: 3 rows. compression-screw 1 rows 4 pieces sensor 2 rows 3 pieces".split()
    )
    assert cli.main(["stock", "check", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"rows": {"compression-screw": 1, "sensor": 2}, "problems": []}


def test_check_caps_what_it_prints_and_counts_the_rest(saved, capsys):
    path = saved(HEAD + "".join(f"A{at},sensor,x,,,,\n" for at in range(70)))
    assert cli.main(["stock", "check", str(path)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 51
    assert lines[-1] == (
        "Nothing is taken from list.csv: 70 problems (50 are shown; --problems OUT.csv writes them all)."
    )
    assert cli.main(["stock", "check", str(path), "--json"]) == 1
    assert len(json.loads(capsys.readouterr().out)["problems"]) == 70


def test_twenty_thousand_rows_are_read(saved):
    lines = (f"P{at},single-lever-cartridge,{20 + at % 50}.{at % 10},,flat,{at % 7},\n" for at in range(20_000))
    assert len(stock.read(saved(HEAD + "".join(lines))).rows) == 20_000
