"""The HTTP service keeps the contract of ``tapwright identify --json``, and serves no file but its own."""

import base64
import hashlib
import json
import re
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

ROOT = Path(__file__).parents[3]
BENCH = ROOT / "data_synthetic/demo/bench.jpg"
SCHEMA = json.loads(resources.files("identify").joinpath("case.schema.json").read_text("utf-8"))


def post(address, photos, **fields):
    """Status and JSON of a multipart request."""
    edge, body = "edge-of-a-part", b""
    for name, value in [
        (name, one) for name, some in fields.items() for one in (some if isinstance(some, list) else [some])
    ]:
        body += f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
    for name, data in photos:
        head = f'--{edge}\r\nContent-Disposition: form-data; name="photos"; filename="{name}"\r\n'
        head += "Content-Type: image/jpeg\r\n\r\n"
        body += head.encode() + data + b"\r\n"
    kind = {"content-type": f"multipart/form-data; boundary={edge}"}
    request = urllib.request.Request(f"{address}/api/identify", body + f"--{edge}--\r\n".encode(), kind)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as why:
        with why:
            return why.code, json.load(why)


def get(address, path):
    try:
        with urllib.request.urlopen(address + path, timeout=30) as answer:
            return answer.status, answer.headers, answer.read()
    except urllib.error.HTTPError as why:
        with why:
            return why.code, why.headers, why.read()


def test_the_same_answer_as_the_command(page_address):
    check = "thread-callipers=16.6"
    status, told = post(page_address, [("bench.jpg", BENCH.read_bytes())], answer=[check])
    command = [sys.executable, "-m", "identify", "identify", "--json", "--answer", check, str(BENCH)]
    command += ["--stock", str(ROOT / "data_synthetic/demo/parts.csv")]
    printed = json.loads(subprocess.run(command, check=True, capture_output=True, cwd=ROOT).stdout)
    assert status == 200
    printed[0]["photos"][0]["file"] = "bench.jpg"
    assert told == printed
    jsonschema.validate(told, SCHEMA)


def test_a_bad_photo_is_an_object_with_its_error(page_address):
    status, told = post(page_address, [("bad.jpg", b"no photo"), ("bench.jpg", BENCH.read_bytes())], same_part="true")
    assert status == 200
    assert [("error" in each) for each in told] == [False, True]
    jsonschema.validate(told, SCHEMA)
    assert post(page_address, [("bad.jpg", b"no photo")])[0] == 422


@pytest.mark.parametrize(
    "fields", [{"scale": "florin"}, {"answer": ["nonsense"]}, {"answer": ["seat=maybe"]}, {"scale_on": "moon"}]
)
def test_wrong_words_are_one_sentence(page_address, fields):
    status, told = post(page_address, [("bench.jpg", BENCH.read_bytes())], **fields)
    assert status == 400
    assert list(told) == ["error"]
    assert "Traceback" not in told["error"]


def test_the_service_is_described(page_address):
    told = json.loads(get(page_address, "/openapi.json")[2])
    assert list(told["paths"]) == ["/api/identify"]
    cases = told["paths"]["/api/identify"]["post"]["responses"]["200"]["content"]["application/json"]["schema"]
    assert cases == {"$ref": "#/components/schemas/Cases"}
    named = told["components"]["schemas"]
    wanted = set()

    def walk(node):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            if key == "$ref":
                wanted.add(value.rpartition("/")[2])
            elif isinstance(value, dict | list):
                walk(value)

    walk(told)
    assert wanted <= set(named)


@pytest.mark.parametrize(
    "path",
    [
        *("/static/../app.py", "/static/..%2fapp.py", "/pictures/pictures.toml", "/static/none.js"),
        *("/gradio_api/file=/etc/passwd", "/gradio_api/file=identify/web/app.py", "/jobs/none/measured.jpg"),
        *("/surveys/none/schedule.csv", "/records/none/job-card.pdf", "/monitoring", "/docs", "/redoc"),
    ],
)
def test_no_file_but_its_own(page_address, path):
    status, _, body = get(page_address, path)
    assert status in (403, 404)
    assert b"root:" not in body
    assert b"import " not in body


def test_its_own_files(page_address):
    for path in ("/static/look.css", "/static/page.js", "/static/icon.svg", "/stock/template.csv"):
        status, headers, body = get(page_address, path)
        assert status == 200
        assert body
        assert headers["x-content-type-options"] == "nosniff"


def test_nothing_is_kept_in_shared_caches(page_address):
    assert get(page_address, "/")[1]["cache-control"] == "no-store"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no /proc here")
def test_users_who_hang_up_end_nothing(served_page):
    address, process = served_page
    ignored = re.search(r"SigIgn:\s+(\w+)", Path(f"/proc/{process}/status").read_text())[1]
    assert int(ignored, 16) >> (signal.SIGPIPE - 1) & 1
    assert get(address, "/healthz")[0] == 200


def test_the_framework_s_own_ways_to_files_are_closed(page_address):
    for path in ("/gradio_api/upload", "/gradio_api/file=/tmp/a.jpg", "/gradio_api/stream/a/b/c/playlist.m3u8"):
        assert get(page_address, path)[0] == 404


def test_only_the_page_s_own_scripts_run(page_address):
    status, headers, body = get(page_address, "/")
    rule = next(each for each in headers["content-security-policy"].split("; ") if each.startswith("script-src"))
    assert status == 200
    assert "unsafe-inline" not in rule
    inline = [text for text in re.findall(rb"<script(?:\s[^>]*)?>(.*?)</script>", body, re.DOTALL) if text]
    assert inline
    for text in inline:
        assert base64.b64encode(hashlib.sha256(text).digest()).decode() in rule
