"""Uploads: nothing outside their folder is read, nothing is written outside the survey's."""

import os

import pytest

from identify.errors import UsageError
from identify.web import arrivals


@pytest.fixture
def uploads(tmp_path):
    (tmp_path / "uploads").mkdir()
    (tmp_path / "secret.txt").write_text("secret")
    return tmp_path / "uploads"


def sent(uploads, name, content=b"x"):
    path = arrivals.room(uploads)
    path.write_bytes(content)
    return {"token": path.name, "name": name}


@pytest.mark.parametrize("token", ["/etc/passwd", "../secret.txt", "", "\0", ".", "a" * 32, "../uploads/" + "a" * 32])
def test_only_what_was_uploaded_is_read(uploads, token):
    with pytest.raises(UsageError, match="did not arrive"):
        arrivals.taken(uploads, {"token": token})


def test_a_link_out_is_not_followed(uploads):
    (uploads / ("a" * 32)).symlink_to(uploads.parent / "secret.txt")
    with pytest.raises(UsageError, match="did not arrive"):
        arrivals.taken(uploads, {"token": "a" * 32})


def test_what_was_taken_is_gone(uploads):
    photo = sent(uploads, "C:\\pictures\\kitchen.jpg", b"bytes")
    assert arrivals.taken(uploads, photo) == ("kitchen.jpg", b"bytes")
    with pytest.raises(UsageError, match="did not arrive"):
        arrivals.taken(uploads, photo)


def test_the_same_photo_of_two_users_is_two_files(uploads):
    one, other = sent(uploads, "a.jpg"), sent(uploads, "a.jpg")
    arrivals.taken(uploads, one)
    assert arrivals.taken(uploads, other)[1] == b"x"


def test_what_nobody_fetches_is_deleted(uploads):
    old, new = sent(uploads, "a.jpg"), sent(uploads, "b.jpg")
    os.utime(arrivals.place(uploads, old), (0, 0))
    arrivals.room(uploads)
    arrivals.place(uploads, new)
    with pytest.raises(UsageError, match="did not arrive"):
        arrivals.place(uploads, old)


def test_a_file_that_goes_meanwhile_harms_nobody(uploads):
    class Uploads(type(uploads)):
        def iterdir(self):
            for path in list(super().iterdir()):
                path.unlink()
                yield path

    sent(uploads, "a.jpg"), sent(uploads, "b.jpg")
    assert arrivals.room(Uploads(uploads)).exists()


def test_folders_are_kept_and_steps_up_are_not(uploads, tmp_path):
    names = ["north/2/bath/a.jpg", "north/../../../../b.jpg", "/north/1/c.jpg", "north/.hidden/d.jpg"]
    files = [sent(uploads, name) for name in names]
    top = arrivals.arranged(uploads, files, tmp_path / "room" / "photos")
    found = sorted(path.relative_to(tmp_path / "room").as_posix() for path in (tmp_path / "room").rglob("*.jpg"))
    assert found == [f"photos/north/{rest}" for rest in ("1/c.jpg", "2/bath/a.jpg", "b.jpg", "hidden/d.jpg")]
    assert top == tmp_path / "room" / "photos" / "north"


def test_two_files_of_one_name_are_both_kept(uploads, tmp_path):
    files = [sent(uploads, "a.jpg") for _ in range(2)]
    top = arrivals.arranged(uploads, files, tmp_path / "photos")
    assert len(list(top.iterdir())) == 2


def test_a_zip_comes_alone(uploads, tmp_path):
    files = [sent(uploads, "all.zip"), sent(uploads, "a.jpg")]
    with pytest.raises(UsageError, match="send it alone"):
        arrivals.arranged(uploads, files, tmp_path / "photos")
    assert arrivals.arranged(uploads, files[:1], tmp_path / "photos").name == "all.zip"
