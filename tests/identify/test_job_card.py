"""The job card: one A4 page that says what the case says, safely, and can be read aloud."""

from __future__ import annotations

import copy
import html.parser
import importlib.util
import io
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from PIL import Image

from identify import job_card, report, tables
from identify.errors import UsageError
from identify.job_card import content, paper, qr, tagged


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made_cases = _neighbour("made_cases")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
EVIL = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&amp;</style></title><!--"
ID = "7K3FM-92QXA"


def picture(size: tuple[int, int] = (640, 480), **more: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.full((size[1], size[0], 3), 140, np.uint8)).save(out, "JPEG", **more)
    return out.getvalue()


def a_case(answer: str | None = None, **more: object) -> dict:
    return report.as_json(made_cases.case(answer, **more))


def crowded() -> dict:
    """More of everything than any page holds."""
    case = copy.deepcopy(a_case())
    row = case["candidates"][0]
    offer = {"part_number": "W" * 60, "description": "x", "quantity": 12345, "price": None, "probability": 0.02}
    wide = "Wide Word " * 60
    case["candidates"] = [
        {**row, "id": f"row-{at}", "description": f"{at} {wide}", "probability": 0.016, "stock": [offer] * 20}
        for at in range(60)
    ]
    case["checks"] = [{**case["checks"][0], "question": f"{at} {wide}?"} for at in range(40)]
    quantities = list(tables.load().quantities)
    case["measurements"] = []
    case["not_measured"] = [{"quantity": name, "reason": f"{name} {wide}", "advice": "x"} for name in quantities]
    case["conversions"] = [{"to": wide, "verdict": "check first", "reasons": [wide] * 9}] * 6
    case["cautions"] = [{"text": row.text, "source": "x"} for row in tables.load().cautions.values()]
    case["photos"] = [{**case["photos"][0], "file": "/home/jane/" + "w" * 300 + ".jpg"}] * 9
    return case


CASES = {
    **{name: lambda name=name: a_case(name) for name in tables.load().classes},
    "unsure": lambda: a_case("unsure"),
    "installed": lambda: a_case(view="installed", measured=False),
    "crowded": crowded,
}


def read(data: bytes) -> tuple[pypdf.PdfReader, str]:
    reader = pypdf.PdfReader(io.BytesIO(data))
    return reader, re.sub(r"\s+", " ", reader.pages[0].extract_text().replace("\N{NO-BREAK SPACE}", " "))


@pytest.mark.parametrize(
    ("name", "shape"),
    [(name, (640, 480)) for name in CASES]
    + [(name, shape) for name in ("unsure", "crowded") for shape in ((480, 640), (1600, 400), (400, 1600), None)],
)
def test_it_is_one_a4_page(name, shape):
    drawn = None if shape is None else picture(shape)
    card = content.card(CASES[name](), drawn, case_id=ID, answers={}, made_at=None)
    plan = paper.fitting(card)
    with tagged.TaggedPage("x") as pdf:
        assert paper._flow(pdf, card, plan) <= paper.FLOOR + 0.01
    reader, text = read(paper.printed(card, plan))
    assert len(reader.pages) == 1
    assert [round(float(side) / 72 * 25.4) for side in reader.pages[0].mediabox[2:]] == [210, 297]
    assert "Signature" in text


@pytest.mark.parametrize("name", [*list(CASES)[:2], "none", "unsure", "installed", "crowded"])
def test_it_says_what_the_case_says(name):
    case = CASES[name]()
    answers = {"thread-callipers": "20,9", "spindle-reach": "no"}
    data = job_card.pdf(case, picture(), case_id=ID, answers=answers, made_at=datetime(2026, 5, 4, 9, 30))
    _, text = read(data)
    told = tables.load()
    title = told.classes[case["class"]["answer"]].name if case["class"]["answer"] in told.classes else "Not sure what"
    wanted = [title, ID, "Job card · 4 May 2026, 09:30", case["model"]["tables_version"], case["model"]["sha256"][:8]]
    wanted += [str(value) for value in made_values(case)]
    wanted += [told.checks["thread-callipers"].question + " 20,9 mm", told.checks["spindle-reach"].question + " no"]
    shown = [row for row in case["candidates"] if row["id"] != "other" and row["probability"] >= 0.01]
    wanted += [row["description"][:40] for row in shown[:2]]
    if len(shown) > 6:
        wanted.append("more, together")
    wanted += [caution["text"].partition(". ")[0][:60] for caution in case["cautions"]]
    flat = re.sub(r"\s+", "", text)  # lines are broken anywhere
    assert [each for each in wanted if re.sub(r"\s+", "", each) not in flat] == []
    page = job_card.html(case, picture(), case_id=ID, answers=answers, made_at="2026-05-04T09:30:00")
    plain = re.sub(r"\s+", "", Text(page).words)
    assert [each for each in wanted if re.sub(r"\s+", "", each) not in plain] == []
    on_screen = re.sub(r"\s+", " ", job_card.text(case, answers=answers))
    assert title in on_screen


def made_values(case: dict) -> list[str]:
    values = []
    for found in case["measurements"]:
        mm = "value_mm" in found
        values.append("± 0.21 mm" if mm else f"{found['value']:.0f} ± ")
    return values


@pytest.mark.parametrize("name", ["unsure", "crowded", next(iter(tables.load().classes))])
def test_the_pdf_is_tagged_in_reading_order(name):
    """ISO 32000-1, 14.7 and 14.8: all real content is marked, and every mark stands in the structure tree, in order."""
    reader, _ = read(job_card.pdf(CASES[name](), picture(), case_id=ID))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    elements = [each.get_object() for each in root["/StructTreeRoot"]["/K"][0].get_object()["/K"]]
    assert [each["/K"][0] for each in elements] == list(range(len(elements)))
    roles = [each["/S"] for each in elements]
    assert (roles.count("/H1"), roles.count("/Figure")) == (1, 2)
    assert roles.count("/H2") >= 4
    figures = [each["/Alt"] for each in elements if each["/S"] == "/Figure"]
    assert figures[0] == f"QR code that says {ID}"
    assert figures[1].startswith("Photo with the answer drawn on it: ")
    depth, seen = 0, []
    for operands, operator in pypdf.generic.ContentStream(reader.pages[0].get_contents(), reader).operations:
        if operator in (b"BDC", b"BMC"):
            depth += 1
            if operator == b"BDC":
                seen.append(operands[1]["/MCID"])
        depth -= operator == b"EMC"
        if operator in (b"Tj", b"TJ", b"Do", b"S", b"f", b"re"):
            assert depth == 1, operator
    assert depth == 0
    assert seen == list(range(len(elements)))


class Text(html.parser.HTMLParser):
    """Words, tags and attributes of a page as a browser would take them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words, self.tags, self.attributes = "", set(), []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.words += data.replace("\N{NO-BREAK SPACE}", " ")


TAGS = set(
    "html head meta title style body main header div p h1 h2 span figure svg path img section ul li b small".split()
)
TAGS |= set("table tr th td i footer".split())


def test_text_from_outside_stays_text():
    case = copy.deepcopy(a_case())
    for row in case["candidates"][:2]:
        row["description"] = EVIL
        row["stock"] = [{"part_number": EVIL, "description": EVIL, "quantity": 1, "price": 1.0, "probability": 0.3}]
    case["photos"][0]["file"] = EVIL
    case["checks"][0]["question"] = case["cautions"][0]["text"] = EVIL
    case["not_measured"] = [{"quantity": "overall_length", "reason": EVIL, "advice": EVIL}]
    case["conversions"] = [{"to": EVIL, "verdict": EVIL, "reasons": [EVIL]}]
    case["model"]["tables_version"] = EVIL
    page = job_card.html(case, picture(), case_id=EVIL[:24], answers={EVIL: EVIL, "spindle-reach": EVIL})
    told = Text(page)
    assert told.tags <= TAGS
    assert {name for name, _ in told.attributes if name.startswith("on") or name in ("href", "action")} == set()
    assert told.words.count("<script>alert(1)") >= 7
    assert "<!--" not in re.sub(r"<style>.*?</style>", "", page)
    assert len(pypdf.PdfReader(io.BytesIO(job_card.pdf(case, None, case_id=EVIL, answers={EVIL: EVIL}))).pages) == 1


def test_the_html_needs_nothing_else_and_runs_nothing():
    page = job_card.html(a_case(), picture(), case_id=ID)
    told = Text(page)
    sources = [value for name, value in told.attributes if name in ("src", "href")]
    assert [source[:22] for source in sources] == ["data:image/jpeg;base64"]
    assert set(re.findall(r"url\((.{9})", page)) == {"data:font"}
    assert "http://" not in page
    assert "https://" not in page
    assert (
        "content",
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:",
    ) in told.attributes
    assert "script" not in told.tags


def test_nothing_of_the_pictures_file_gets_onto_the_card():
    exif = Image.Exif()
    exif[0x013B] = "Jane Owner"
    exif.get_ifd(0x8825).update({1: "S", 2: (33.0, 55.0, 31.25)})
    told = picture(exif=exif, comment=b"Jane Owner")
    assert b"Jane" in told
    data = job_card.pdf(a_case(), told, case_id=ID)
    reader, _ = read(data)
    assert b"Jane" not in data
    assert b"Exif" not in reader.pages[0].images[0].data
    card = content.card(a_case(), told, case_id=ID, answers={}, made_at=None)
    assert b"Jane" not in card.overlay_jpeg
    assert b"Exif" not in card.overlay_jpeg
    assert "Jane" not in job_card.html(CASES["crowded"](), told)  # nor the folders of its file


@pytest.mark.parametrize("text", [ID, "job-17", "x" * 64])
def test_the_qr_code_says_the_id(text):
    """Read by OpenCV's decoder, which is not the library that wrote it."""
    side, runs = qr.runs(text)
    bitmap = np.full((side, side), 255, np.uint8)
    for x, y, length in runs:
        bitmap[y, x : x + length] = 0
    assert bitmap[:, : qr.QUIET].min() == 255
    assert cv2.QRCodeDetector().detectAndDecode(bitmap.repeat(8, 0).repeat(8, 1))[0] == text


def test_letters_of_many_languages_and_of_none():
    case = a_case()
    case["candidates"][0]["description"] = "Głowica Ø 20 × ½ żółta, Βρύση, кран, 日本"
    _, text = read(job_card.pdf(case, None))
    assert "Głowica Ø 20 × ½ żółta, Βρύση, кран, ??" in text
    assert "日本" in job_card.html(case, None)


def test_grey_words_can_be_read_on_white():
    """WCAG 2.2, 1.4.3: 4.5 to 1 at least."""

    def luminance(rgb: tuple[int, int, int]) -> float:
        linear = [((v / 255 + 0.055) / 1.055) ** 2.4 if v > 10 else v / 255 / 12.92 for v in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert 1.05 / (luminance(tagged.GREY) + 0.05) >= 4.5
    assert f"#{''.join(f'{v:02x}' for v in tagged.GREY)}" in job_card.html(a_case(), None)


def test_a_time_with_a_zone_is_told_in_the_readers_own():
    when = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
    local = when.astimezone()
    assert f"4 May 2026, {local:%H:%M}" in job_card.html(a_case(), None, made_at=when)


def test_wrong_input_is_one_sentence():
    with pytest.raises(UsageError, match=r"no job card \(x is empty\.\); take it again\."):
        job_card.pdf({"photos": [{"file": "x"}], "error": "x is empty."}, None)
    with pytest.raises(UsageError, match="is no JPEG"):
        job_card.html(a_case(), b"GIF89a")


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here to print with")
@pytest.mark.parametrize("name", ["crowded", "unsure", next(iter(tables.load().classes))])
def test_a_browser_fits_the_html_on_its_page(name, tmp_path):
    page = job_card.html(CASES[name](), picture(), case_id=ID, answers={"thread-callipers": "20,9"})
    probe = """<script>addEventListener('load', () => document.fonts.ready.then(() => {
        const main = document.querySelector('main'), foot = document.querySelector('footer');
        const over = [...main.querySelectorAll('*')].filter(e => e.getBoundingClientRect().bottom >
            main.getBoundingClientRect().bottom + 0.5 || e.getBoundingClientRect().right >
            main.getBoundingClientRect().right + 0.5).length;
        const last = foot.previousElementSibling.getBoundingClientRect().bottom;
        const gap = Math.round(foot.getBoundingClientRect().top - last);
        document.title = `over ${over} gap ${gap}`; }))</script></body>"""
    policy = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
    (tmp_path / "card.html").write_text(policy.sub("", page).replace("</body>", probe), encoding="utf-8")
    words = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    words += ["--virtual-time-budget=3000", "--dump-dom", (tmp_path / "card.html").as_uri()]
    done = subprocess.run([CHROMIUM, *words], capture_output=True, text=True, timeout=60, check=True)
    told = re.search(r"<title>over (\d+) gap (-?\d+)</title>", done.stdout)
    assert told
    assert (int(told[1]), int(told[2]) >= 0) == (0, True), told[0]
