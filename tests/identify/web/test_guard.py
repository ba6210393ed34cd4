"""Who comes in, from where, with how much; and the login's lock. No server is started."""

import asyncio
import base64
import io

import pytest

from identify import cli
from identify.errors import UsageError
from identify.web import guard, login, serve

PASSWORD = "a long enough one"


@pytest.fixture(scope="module")
def users(tmp_path_factory):
    file = tmp_path_factory.mktemp("login") / "users.txt"
    login.add(file, "ann", PASSWORD)
    assert PASSWORD not in file.read_text()
    assert file.stat().st_mode & 0o077 == 0
    return login.read(file)


async def _app(scope, receive, send):
    body, more = b"", True
    while more:
        message = await receive()
        body, more = body + message.get("body", b""), message.get("more_body", False)
    await send(
        {
            "type": "http.response.start",
            "status": 200,
            "headers": [(b"server", b"x"), (b"set-cookie", b"a=1"), (b"set-cookie", b"b=2")],
        }
    )
    await send({"type": "http.response.body", "body": b"%d" % len(body)})


def ask(path="/", *, method="GET", headers=None, pieces=(b"",), door=None, names=frozenset({"localhost"}), most=1000):
    sent = []
    told = {"host": "localhost:7860", **(headers or {})}
    scope = {
        "type": "http", "path": path, "method": method, "client": ("127.0.0.1", 1),
        "headers": [(name.encode(), value.encode()) for name, value in told.items()],
    }  # fmt: skip
    waiting = [{"body": piece, "more_body": at + 1 < len(pieces)} for at, piece in enumerate(pieces)]

    async def receive():
        return {"type": "http.request", **waiting.pop(0)}

    async def send(message):
        sent.append(message)

    asyncio.run(guard.Guard(_app, door=door, names=names, most_bytes=most)(scope, receive, send))
    starts = [each for each in sent if each["type"] == "http.response.start"]
    assert len(starts) == 1
    return starts[0]["status"], dict(starts[0]["headers"]), b"".join(each.get("body", b"") for each in sent)


def test_every_answer_has_the_headers():
    _, headers, _ = ask()
    assert b"server" not in headers
    assert b"frame-ancestors 'none'" in headers[b"content-security-policy"]
    assert headers[b"x-content-type-options"] == b"nosniff"
    assert headers[b"referrer-policy"] == b"same-origin"
    assert headers[b"cache-control"] == b"no-store"


def test_another_name_or_site_is_refused():
    assert ask(headers={"host": "evil.example"})[0] == 421
    assert ask(headers={"origin": "http://evil.example"})[0] == 403
    assert ask(headers={"origin": "http://localhost:7860"})[0] == 200


def test_too_much_is_refused_before_and_while_it_is_read():
    assert ask(headers={"content-length": "1001"})[0] == 413
    status, _, body = ask(method="POST", pieces=(b"x" * 600, b"x" * 600))
    assert status == 413
    assert b"fewer photos" in body
    assert ask(method="POST", pieces=(b"x" * 500, b"x" * 500))[2] == b"1000"


def test_a_stranger_is_sent_to_the_door(users):
    door = login.Door(users)
    assert ask(door=door)[1][b"location"] == b"/login"
    assert ask("/uploads", method="POST", door=door)[0] == 401
    assert ask("/jobs/abc/measured.jpg", door=door)[0] == 401
    assert ask("/login", door=door)[0] == 200
    assert ask("/api/identify", method="POST", door=door)[1][b"www-authenticate"].startswith(b"Basic")
    assert ask(headers={"cookie": f"{guard.COOKIE}={door.open('ann')}"}, door=door)[0] == 200
    assert ask(headers={"cookie": f"{guard.COOKIE}=guess"}, door=door)[0] == 303


def test_the_service_takes_a_name_and_password(users):
    def code(password):
        return {"authorization": "Basic " + base64.b64encode(f"ann:{password}".encode()).decode()}

    door = login.Door(users)
    assert ask("/api/identify", headers=code(PASSWORD), door=door)[0] == 200
    assert ask("/", headers=code(PASSWORD), door=door)[0] == 303
    for _ in range(login.TRIES):
        assert ask("/api/identify", headers=code("wrong"), door=door)[0] == 401
    assert ask("/api/identify", headers=code(PASSWORD), door=door)[0] == 429


def test_wrong_tries_lock_the_name_and_the_address_for_a_while(users):
    now = [0.0]
    door = login.Door(users, clock=lambda: now[0])
    for _ in range(login.TRIES):
        assert not door.knock("ann", "wrong", "10.0.0.1")
    with pytest.raises(UsageError, match="Too many wrong tries"):
        door.knock("ann", PASSWORD, "10.0.0.2")
    with pytest.raises(UsageError, match="Too many wrong tries"):
        door.knock("bob", PASSWORD, "10.0.0.1")
    now[0] = login.LOCKED_S + 1
    assert door.knock("ann", PASSWORD, "10.0.0.1")


def test_a_right_password_forgives_earlier_slips(users):
    door = login.Door(users)
    for _ in range(3):
        for _ in range(login.TRIES - 1):
            assert not door.knock("ann", "wrong", "here")
        assert door.knock("ann", PASSWORD, "here")


def test_a_session_ends(users):
    now = [0.0]
    door = login.Door(users, clock=lambda: now[0])
    key = door.open("ann")
    assert door.inside(key) == "ann"
    now[0] = login.SESSION_S + 1
    assert door.inside(key) == ""
    other = door.open("ann")
    door.close(other)
    assert door.inside(other) == ""


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "counter.example", ""])
def test_beyond_this_machine_needs_a_login(host):
    with pytest.raises(UsageError, match="lets other machines in"):
        serve.check(serve.Settings(host=host))


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1"])
def test_this_machine_needs_none(host):
    assert serve.check(serve.Settings(host=host)) is None


@pytest.mark.parametrize("text", ["", "ann:secret", "ann:scrypt:xy:zz", "ann:md5:00:00"])
def test_a_login_file_of_another_kind_is_refused(tmp_path, text):
    file = tmp_path / "users.txt"
    file.write_text(text)
    with pytest.raises(UsageError, match="--add NAME"):
        login.read(file)


def test_a_short_password_is_refused(tmp_path):
    with pytest.raises(UsageError, match="at least 10"):
        login.add(tmp_path / "users.txt", "ann", "short")


def test_serving_others_without_a_login_is_refused_in_one_sentence(capsys):
    assert cli.main(["serve", "--host", "0.0.0.0"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "--login FILE" in said


def test_a_login_is_written_by_the_command(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
    assert cli.main(["serve", "--login", str(tmp_path / "users.txt"), "--add", "bob"]) == 0
    assert PASSWORD not in capsys.readouterr().out
    assert login.Door(login.read(tmp_path / "users.txt")).knock("bob", PASSWORD, "here")
