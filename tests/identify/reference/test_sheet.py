"""The printed sheet against its own PDF, OpenCV's own drawing of the board, and pictures of it in perspective."""

import re
import shutil
import subprocess

import cv2
import numpy as np
import pypdf
import pytest

from identify.errors import UsageError
from identify.model import NotMeasured, Photo, Reference
from identify.reference import page, sheet
from identify.reference.sheet_print import write_pdf

PT_PER_MM = 72 / 25.4
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI Y14.1


def seen(paper, scene, px_per_mm=8.0):
    """The sheet on a bench, its middle under the camera; also the true pixels of its whole corners."""
    page = sheet.board_picture(paper, px_per_mm).astype(np.float32) / 255
    linear = np.where(page <= 0.04045, page / 12.92, ((page + 0.055) / 1.055) ** 2.4) * 0.85 + 0.01
    width, height = sheet.layout(paper).size_mm
    to_bench = np.array([[1, 0, -width / 2], [0, -1, height / 2], [0, 0, 1.0]])
    from_page_px = np.array([[1 / px_per_mm, 0, 0.5 / px_per_mm], [0, 1 / px_per_mm, 0.5 / px_per_mm], [0, 0, 1]])
    whole = scene.homography @ to_bench @ from_page_px
    fine = 3
    zoom = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1.0]])
    big = (scene.size[0] * fine, scene.size[1] * fine)
    drawn = cv2.warpPerspective(linear, zoom @ whole, big, flags=cv2.INTER_LINEAR, borderValue=-1.0)
    drawn = cv2.resize(drawn, scene.size, interpolation=cv2.INTER_AREA)
    scene.light = np.where(drawn[..., None] < 0, scene.light, np.maximum(drawn[..., None], 0))
    truth = cv2.perspectiveTransform(sheet.layout(paper).corners_mm[None], scene.homography @ to_bench)[0]
    return truth


@pytest.mark.parametrize("paper", PAPERS)
def test_pdf_page_is_the_paper(tmp_path, paper):
    page = pypdf.PdfReader(write_pdf(tmp_path / "sheet.pdf", paper)).pages[0]
    size_mm = np.array([page.mediabox.width, page.mediabox.height], float) / PT_PER_MM
    assert size_mm == pytest.approx(PAPERS[paper], abs=0.01)


@pytest.mark.parametrize("paper", PAPERS)
def test_check_line_is_100_mm_in_the_file(tmp_path, paper):
    reader = pypdf.PdfReader(write_pdf(tmp_path / "sheet.pdf", paper))
    content = reader.pages[0].get_contents().get_data().decode("latin-1")
    boxes = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+) (-?[\d.]+) (-?[\d.]+) re", content), float) / PT_PER_MM
    lowest = boxes[boxes[:, 1] < 20]
    assert np.ptp([*lowest[:, 0], *(lowest[:, 0] + lowest[:, 2])]) == pytest.approx(100.0, abs=0.02)
    assert "100 %" in reader.pages[0].extract_text()
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm draws the PDF")
def test_pdf_drawn_by_another_program_is_found_at_true_scale(tmp_path):
    write_pdf(tmp_path / "sheet.pdf", "a4")
    subprocess.run(
        ["pdftoppm", "-r", "127", "-png", str(tmp_path / "sheet.pdf"), str(tmp_path / "page")], check=True, timeout=60
    )  # 127 dpi are 5 px a millimetre
    rgb = cv2.cvtColor(cv2.imread(str(next(tmp_path.glob("page*.png")))), cv2.COLOR_BGR2RGB)
    found = sheet.find(Photo("page", "", rgb, rgb.shape[1], rgb.shape[0], 26.0))
    assert isinstance(found, Reference)
    far_mm = np.linalg.norm(found.points_mm[0] - found.points_mm[-1])
    far_px = np.linalg.norm(found.points_px[0] - found.points_px[-1])
    assert far_px / far_mm == pytest.approx(5.0, rel=0.0005)


@pytest.mark.parametrize("paper", PAPERS)
def test_frame_is_the_board_as_opencv_draws_it(paper):
    layout = sheet.layout(paper)
    mine = sheet.board_picture(paper, 20.0)
    left, top, width, height = (round(side * 20) for side in layout.board_mm)
    theirs = layout.board.generateImage((width, height))
    ring = round(page.RING * page.SQUARE_MM * 20)
    for part in (np.s_[:ring], np.s_[-ring:], np.s_[:, :ring], np.s_[:, -ring:]):
        differs = np.abs(mine[top : top + height, left : left + width][part].astype(int) - theirs[part]) > 128
        assert differs.mean() < 0.002


@pytest.mark.parametrize(
    ("paper", "tilt", "turn", "distance"), [("a4", 0, 0, 400), ("a4", 25, 40, 420), ("letter", 15, 200, 400)]
)
def test_corners_in_perspective(bench, paper, tilt, turn, distance):
    scene = bench(tilt_deg=tilt, turn_deg=turn, distance_mm=distance, size=(1600, 1200), blur_px=0.7)
    truth = seen(paper, scene)
    found = sheet.find(scene.photo())
    assert isinstance(found, Reference)
    assert found.id == {"a4": "sheet", "letter": "sheet-letter"}[paper]
    layout = sheet.layout(paper)
    on_page = (found.points_mm - (0, layout.size_mm[1])) * (1, -1)
    apart = np.linalg.norm(on_page[:, None] - layout.corners_mm[None], axis=2)
    errors = np.linalg.norm(found.points_px - truth[apart.argmin(axis=1)], axis=1)
    assert apart.min(axis=1).max() < 1e-9
    assert np.sqrt(np.mean(errors**2)) < 0.1
    assert len(errors) >= 24


def test_part_in_the_free_area_is_outside_the_outline(bench):
    scene = bench(distance_mm=400, size=(1600, 1200))
    seen("a4", scene)
    scene.disc((0.0, 0.0), 25.0, (0.5, 0.4, 0.2))
    found = sheet.find(scene.photo())
    mask = np.zeros((1200, 1600), np.uint8)
    cv2.fillPoly(mask, [np.round(found.outline_px).astype(np.int32)], 1)
    assert mask[600, 800] == 0
    frame = np.round(scene.px(np.array([[-80.0, 0.0], [80.0, 0.0]]))).astype(int)
    assert all(mask[y, x] == 1 for x, y in frame)


def test_measured_check_line_corrects_the_scale():
    rgb = np.dstack([sheet.board_picture("a4", 5.0)] * 3)
    photo = Photo("page", "", rgb, rgb.shape[1], rgb.shape[0], 26.0)
    plain, shrunk = sheet.find(photo), sheet.find(photo, check_mm=97.0)
    assert np.ptp(shrunk.points_mm, axis=0) == pytest.approx(0.97 * np.ptp(plain.points_mm, axis=0))
    assert shrunk.u_size_rel < plain.u_size_rel


def test_half_covered_frame_still_serves_and_a_corner_of_it_does_not(bench):
    scene = bench(distance_mm=400, size=(1600, 1200))
    seen("a4", scene)
    scene.box((80.0, 0.0), 0.0, (160.0, 400.0), (0.4, 0.3, 0.2))
    found = sheet.find(scene.photo())
    assert isinstance(found, Reference)
    assert 6 <= len(found.points_px) < 30
    scene.box((0.0, 40.0), 0.0, (400.0, 330.0), (0.4, 0.3, 0.2))
    assert isinstance(sheet.find(scene.photo()), NotMeasured)


def labelled(scene, paper):
    """A label map (h, w) of a scene as the network gives it, an eighth as large, its reference a little too small."""
    width, height = np.array(PAPERS[paper]) / 2 - 3.0
    corners = scene.px(np.array([[-width, height], [width, height], [width, -height], [-width, -height]]))
    labels = np.zeros((scene.size[1] // 8, scene.size[0] // 8), np.uint8)
    cv2.fillPoly(labels, [np.round(corners / 8).astype(np.int32)], 2)
    return labels


@pytest.mark.parametrize(("paper", "tilt", "turn"), [("a4", 15, 40), ("letter", 25, 200)])
def test_sheet_out_of_focus_is_found_by_its_squares(bench, paper, tilt, turn):
    scene = bench(tilt_deg=tilt, turn_deg=turn, distance_mm=420, size=(1000, 750))
    seen(paper, scene)
    sharp = scene.photo()
    photo = Photo("blurred", "", cv2.GaussianBlur(sharp.rgb, (0, 0), 2.5), *scene.size, sharp.focal35_mm)
    assert isinstance(sheet.find(photo), NotMeasured)  # no marker can be read
    found = sheet.find(photo, labels=labelled(scene, paper))
    assert isinstance(found, Reference)
    assert found.id == ("sheet" if paper == "a4" else "sheet-letter")
    homography, _ = cv2.findHomography(found.points_px, found.points_mm)
    ends = np.array([[-60.0, -60.0], [60.0, -60.0], [60.0, 60.0], [-60.0, 60.0]])
    mm = cv2.perspectiveTransform(scene.px(ends)[None], homography)[0]
    assert np.linalg.norm(mm - np.roll(mm, 1, axis=0), axis=1) == pytest.approx(120.0, rel=0.004)


def test_sheet_among_other_papers_is_found_by_its_squares_where_white_has_bloomed(bench):
    scene = bench(tilt_deg=8, turn_deg=30, distance_mm=420, size=(1600, 1200))
    seen("a4", scene)
    sharp = scene.photo()
    photo = Photo("bright", "", cv2.dilate(sharp.rgb, np.ones((9, 9), np.uint8)), *scene.size, sharp.focal35_mm)
    assert isinstance(sheet.find(photo), NotMeasured)  # no marker can be read
    labels = labelled(scene, "a4")
    labels[: labels.shape[0] // 2] = 2  # the label map takes other papers for a part of it
    found = sheet.find(photo, labels=labels)
    assert isinstance(found, Reference)
    homography, _ = cv2.findHomography(found.points_px, found.points_mm)
    ends = np.array([[-60.0, -60.0], [60.0, -60.0], [60.0, 60.0], [-60.0, 60.0]])
    mm = cv2.perspectiveTransform(scene.px(ends)[None], homography)[0]
    assert np.linalg.norm(mm - np.roll(mm, 1, axis=0), axis=1) == pytest.approx(120.0, rel=0.004)


def test_paper_without_squares_is_no_sheet(bench):
    scene = bench(tilt_deg=10, distance_mm=420, size=(1000, 750))
    scene.box((0.0, 0.0), 0.0, PAPERS["a4"], (0.8, 0.8, 0.8))
    assert isinstance(sheet.find(scene.photo(), labels=labelled(scene, "a4")), NotMeasured)


def test_no_sheet_in_an_empty_picture(bench):
    found = sheet.find(bench(texture="stone").photo())
    assert isinstance(found, NotMeasured)
    assert found.advice


def test_unknown_paper_is_a_usage_error(tmp_path):
    with pytest.raises(UsageError, match="a5"):
        write_pdf(tmp_path / "x.pdf", "a5")


def test_check_line_in_centimetres_is_a_usage_error():
    photo = Photo("x", "", np.zeros((50, 50, 3), np.uint8), 50, 50)
    with pytest.raises(UsageError, match=r"10\.0 mm"):
        sheet.find(photo, check_mm=10.0)
