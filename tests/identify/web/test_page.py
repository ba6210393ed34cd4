"""The page in a browser, on a desk and on a phone: the whole job, with the mouse and with the keyboard alone."""

import base64
import io
import re
import zipfile
from pathlib import Path

import pytest

from identify import tables

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parents[3]
BENCH = ROOT / "data_synthetic/demo/bench.jpg"
INSTALLED = ROOT / "data_synthetic/demo/installed.jpg"
IMAGES = ROOT / "tests/evaluation/images"
DESK, PHONE = (1280, 800), (390, 844)
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
WAIT_MS = 40_000
BAD_LIST = "part_number,class,quantity,body_diameter_mm\nA1,single-lever-cartridge,3,35\nA2,nonsense,x,\n"


@pytest.fixture(params=[(DESK, "light"), (PHONE, "dark")], ids=["desk", "phone"])
def page(request, chromium, page_address):
    """A fresh page; what it says on its console, and whom it asks beside its own server, must be nothing."""
    (width, height), scheme = request.param
    look = {"viewport": {"width": width, "height": height}, "color_scheme": scheme, "reduced_motion": "reduce"}
    context = chromium.new_context(**look)
    context.set_default_timeout(WAIT_MS)
    shown = context.new_page()
    outside, said = [], []
    shown.on("request", lambda each: outside.append(each.url))
    shown.on("console", lambda each: said.append(each.text) if each.type == "error" else None)
    shown.on("pageerror", lambda each: said.append(str(each)))
    shown.goto(page_address)
    shown.wait_for_selector("#identify")
    yield shown
    assert shown.evaluate("document.documentElement.scrollWidth") <= width
    context.close()
    assert [url for url in outside if not url.startswith((page_address, "data:", "blob:"))] == []
    assert said == []


def violations(page):
    """What axe-core finds against WCAG 2.2 AA."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": RULES}})
    return [
        (each["id"], node["html"][:120], node["failureSummary"][:200])
        for each in found.response["violations"]
        for node in each["nodes"]
    ]


def ranking(page):
    """Candidates with their shares."""
    return page.locator(".candidates > ol > li .candidate-head").all_inner_texts()


def orders(page):
    """Candidates with all that is known of them, also what is folded away."""
    return page.locator(".candidates > ol > li").all_text_contents()


def identify(page, *photos):
    page.set_input_files("#photos", [str(photo) for photo in photos])
    page.click("#identify")
    page.wait_for_selector(".ranking-turn")
    page.wait_for_selector(".confirm")


def answer(page, nth=0):
    """Answer the check that is asked, and wait for the next one."""
    before = page.get_attribute(".ranking-turn", "data-turn")
    page.locator(".decision .answers button").nth(nth).click()
    turned(page, ".ranking-turn", before)


def turned(page, selector, before):
    page.wait_for_function("([s, t]) => document.querySelector(s)?.dataset.turn !== t", arg=[selector, before])


def test_a_fault_of_accessibility_is_seen(page):
    assert violations(page) == []
    page.evaluate("document.querySelector('#identify').insertAdjacentHTML('afterend', '<button></button>')")
    assert [rule for rule, *_ in violations(page)] == ["button-name"]


def test_the_whole_job(page, page_address):
    identify(page, BENCH)
    assert page.inner_text("#verdict-title") in {row.name for row in tables.load().classes.values()}
    assert page.evaluate("document.activeElement.id") == "verdict-title"
    page.wait_for_function("() => Math.abs(document.querySelector('#verdict-title').getBoundingClientRect().top) < 300")
    sizes = page.locator(".sizes dl .figure").all_inner_texts()
    assert sizes
    assert page.evaluate("document.querySelector('.measured img').naturalWidth") > 1000
    first = ranking(page)
    answer(page)
    second, known = ranking(page), orders(page)
    assert second != first
    answer(page)
    assert orders(page) != known
    assert page.locator(".answered li").count() == 2
    assert violations(page) == []
    page.locator(".answered button").last.click()
    page.wait_for_function("() => document.querySelectorAll('.answered li').length === 1")
    assert ranking(page) == second

    part = page.locator("#handed-out option").nth(1).get_attribute("value")
    page.select_option("#handed-out", part)
    reading = page.locator(".confirm input[name^='size:']").first
    quantity = reading.get_attribute("name")
    reading.fill("20,6")
    page.click(".confirm button[type=submit]")
    page.wait_for_selector("text=is noted for case")
    card = page.request.get(page_address + page.get_attribute(".wrap-up a[download]", "href"))
    assert card.body().startswith(b"%PDF")
    html = page.request.get(page_address + page.get_attribute(".wrap-up a[target]", "href")).text()
    assert all(size in html for size in sizes)
    case = re.search(r"case (\w{5}-\w{5})", page.inner_text(".confirm"))[1]
    assert case in html

    page.click("nav a[data-place=shop]")
    page.fill("#find-text", part)
    page.click(".find-form button")
    page.wait_for_selector(f"button[aria-label='Open case {case}']")
    page.click(f"button[aria-label='Open case {case}']")
    page.wait_for_selector(".opened")
    assert page.input_value("#kept-part") == part
    assert page.input_value(f".opened input[name='{quantity}']") == "20.6"
    assert violations(page) == []


def tab_to(page, selector, most=120):
    """Press the tabulator until an element that matches has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement?.matches(s)", selector):
            return
    raise AssertionError(f"{selector} is not reached with the keyboard")


def choose(page, selector, file):
    """Choose a file with the keyboard; the system's own window for it is not the page's."""
    asked = []
    page.on("filechooser", lambda each: asked.append(each))  # listened for well before the key is pressed
    tab_to(page, selector)
    page.keyboard.press("Enter")
    for _ in range(WAIT_MS // 100):
        if asked:
            break
        page.wait_for_timeout(100)
    asked[0].set_files(file)


def test_the_whole_job_with_the_keyboard_alone(page):
    choose(page, "#photos", str(BENCH))
    page.wait_for_selector(".thumbs img")
    tab_to(page, "#identify")
    page.keyboard.press("Enter")
    page.wait_for_selector(".confirm")
    seen = [orders(page)]
    for _ in range(2):
        before = page.get_attribute(".ranking-turn", "data-turn")
        tab_to(page, ".decision .answers button")
        page.keyboard.press("Enter")
        turned(page, ".ranking-turn", before)
        page.wait_for_function("() => document.activeElement.id === 'decision-title'")
        seen.append(orders(page))
    assert seen[0] != seen[1] != seen[2]
    tab_to(page, ".wrap-up a[download]")
    with page.expect_download() as card:
        page.keyboard.press("Enter")
    assert card.value.suggested_filename.endswith(".pdf")
    tab_to(page, "#handed-out")
    page.keyboard.press("ArrowDown")
    tab_to(page, ".confirm button[type=submit]")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=is noted for case")


def test_a_number_is_typed_and_a_wrong_one_is_told(page):
    identify(page, BENCH)
    before = page.get_attribute(".ranking-turn", "data-turn")
    check = page.locator(".other-checks details", has=page.locator("input[value='thread-callipers']"))
    check.locator("summary").click()
    check.locator("input[name=reading]").fill("400")
    check.get_by_role("button", name="Enter").click()
    turned(page, ".ranking-turn", before)
    assert "is no" in page.inner_text(".ranking-turn .alert")
    before = page.get_attribute(".ranking-turn", "data-turn")
    check.locator("summary").click()
    check.locator("input[name=reading]").fill("16,6")
    check.get_by_role("button", name="Enter").click()
    turned(page, ".ranking-turn", before)
    assert page.locator(".answered li").all_inner_texts() != []
    assert page.locator(".ranking-turn .alert").count() == 0


def test_an_installed_tap_is_told_which_photo_to_take(page):
    identify(page, INSTALLED)
    assert page.locator(".next-photo.urgent svg[role=img]").count() == 1
    assert "Shut the water off" in page.inner_text(".next-photo")
    assert page.locator(".compare img").count() == 2
    assert violations(page) == []


def test_the_scale_is_remembered(page):
    page.select_option("#scale", "eur-1")
    page.reload()
    page.wait_for_selector("#identify")
    page.wait_for_function("() => document.querySelector('#scale').value === 'eur-1'")
    page.select_option("#scale", "coin:")
    assert page.locator("#disc").is_visible()


def test_no_photo_and_no_picture_are_told(page):
    page.click("#identify")
    assert "no photo yet" in page.inner_text("#form-alert")
    page.set_input_files("#photos", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"})
    page.click("#identify")
    page.wait_for_selector("#answer .alert")
    assert "a.jpg" in page.inner_text("#answer .alert")
    assert violations(page) == []


def _zipped():
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as packed:
        for at, place in ((2, "north/2/bath"), (37, "north/1/kitchen"), (23, "north/2/bath")):  # two are unsure
            packed.write(IMAGES / f"{at:06}.jpg", f"{place}/{at}.jpg")
        packed.writestr("north/1/kitchen/broken.jpg", b"no photo")
    return {"name": "north.zip", "mimeType": "application/zip", "buffer": file.getvalue()}


def doubtful(page):
    """The doubtful photos, each with the address of its picture."""
    cards = page.locator(".doubt")
    return [(each.get_attribute("aria-label"), each.locator("img").get_attribute("src")) for each in cards.all()]


def cells(page, rows):
    return [[cell.text_content() for cell in row.locator("td").all()] for row in page.locator(rows).all()]


def test_a_survey_from_a_zip_and_a_decision(page, page_address):
    page.click("nav a[data-place=survey]")
    page.set_input_files("#survey-files", _zipped())
    page.click(".survey-form button[type=submit]")
    page.wait_for_selector(".survey-sum")
    assert page.inner_text("#sum-title") == "4 photos"
    doubts = page.locator(".doubt").count()
    assert doubts >= 1
    page.wait_for_function(
        "() => [...document.querySelectorAll('.doubt img')].every((each) => each.complete && each.naturalWidth)"
    )
    assert violations(page) == []
    pictures = dict(doubtful(page))
    assert len(set(pictures.values())) == doubts
    page.locator(".doubt").first.locator(".answers-row button").first.click()
    page.wait_for_function("n => document.querySelectorAll('.doubt').length === n - 1", arg=doubts)
    assert page.locator(".survey-turn .answered li").count() == 1
    assert set(doubtful(page)) == set(list(pictures.items())[1:])  # each keeps the picture that is its own
    kept = (
        page.request.get(page_address + page.get_attribute(".survey-sum a[href$=csv]", "href"))
        .body()
        .decode("utf-8-sig")
    )
    assert kept.count("\n") == 5
    assert "broken.jpg" in kept
    assert "kitchen" in kept
    book = page.request.get(page_address + page.get_attribute(".survey-sum a[href$=xlsx]", "href")).body()
    assert zipfile.is_zipfile(io.BytesIO(book))


def test_a_folder_keeps_its_places(page, tmp_path):
    for at, place in ((11, "south/0/hall"), (25, "south/1/bath")):
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / place / f"{at}.jpg").write_bytes((IMAGES / f"{at:06}.jpg").read_bytes())
    page.click("nav a[data-place=survey]")
    page.set_input_files("#survey-folder", str(tmp_path / "south"))
    page.click(".survey-form button[type=submit]")
    page.wait_for_selector(".survey-sum")
    assert sorted(row[:3] for row in cells(page, ".survey-turn tbody tr")) == [
        ["south", "0", "hall"],
        ["south", "1", "bath"],
    ]


def test_a_stock_list_with_an_error_then_without(page):
    page.click("nav a[data-place=shop]")
    page.set_input_files("#stock-file", {"name": "mine.csv", "mimeType": "text/csv", "buffer": BAD_LIST.encode()})
    page.wait_for_selector(".problems")
    assert [row[:3] for row in cells(page, ".problems tbody tr")] == [
        ["3", "class", "nonsense"],
        ["3", "quantity", "x"],
    ]
    assert violations(page) == []
    data = page.get_attribute("a[download='to-mend.csv']", "href").partition("base64,")[2]
    assert "nonsense" in base64.b64decode(data).decode("utf-8-sig")
    good = BAD_LIST.replace("nonsense,x", "thermostatic,2")
    page.set_input_files("#stock-file", {"name": "mine.csv", "mimeType": "text/csv", "buffer": good.encode()})
    page.wait_for_selector("text=mine.csv is in use")
    page.set_input_files("#stock-file", str(ROOT / "data_synthetic/demo/parts.csv"))
    page.wait_for_selector("text=parts.csv is in use")


def test_a_survey_with_the_keyboard_alone(page):
    tab_to(page, "nav a[data-place=survey]")
    page.keyboard.press("Enter")
    choose(page, "#survey-files", _zipped())
    tab_to(page, ".survey-form button[type=submit]")
    page.keyboard.press("Enter")
    page.wait_for_selector(".survey-sum")
    doubts = page.locator(".doubt").count()
    tab_to(page, ".doubt .answers-row button")
    page.keyboard.press("Enter")
    page.wait_for_function("n => document.querySelectorAll('.doubt').length === n - 1", arg=doubts)
    assert page.locator(".survey-turn .answered li").count() == 1


def test_a_stock_list_with_an_error_with_the_keyboard_alone(page):
    tab_to(page, "nav a[data-place=shop]")
    page.keyboard.press("Enter")
    choose(page, "#stock-file", {"name": "mine.csv", "mimeType": "text/csv", "buffer": BAD_LIST.encode()})
    page.wait_for_selector(".problems")
    tab_to(page, "a[download='to-mend.csv']")
    with page.expect_download() as mended:
        page.keyboard.press("Enter")
    assert mended.value.suggested_filename == "to-mend.csv"


def test_the_way_in_and_out(chromium, locked_address, locked_password):
    page = chromium.new_page(viewport={"width": PHONE[0], "height": PHONE[1]})
    page.set_default_timeout(WAIT_MS)
    page.goto(locked_address)
    assert page.url == f"{locked_address}/login"
    assert violations(page) == []
    page.fill("#name", "ann")
    page.fill("#password", "wrong")
    page.keyboard.press("Enter")
    page.wait_for_selector(".alert")
    page.fill("#name", "ann")
    page.fill("#password", locked_password)
    page.keyboard.press("Enter")
    page.wait_for_selector("#identify")
    cookie = next(each for each in page.context.cookies() if each["name"] == "tapwright")
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Strict"
    page.click("text=Log out")
    page.wait_for_selector("#password")
    page.goto(locked_address)
    assert page.url == f"{locked_address}/login"
    page.close()
