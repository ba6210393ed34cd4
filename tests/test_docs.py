"""The README's commands run, every command is documented, and every module stands in the floor plan."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from identify import cli

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def shell_blocks(text: str) -> list[list[str]]:
    """The tapwright commands of each shell block that has some."""
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    found = [[line.split("  #")[0].strip() for line in block.splitlines()] for block in blocks]
    commands = [[line for line in lines if line.startswith("tapwright ")] for lines in found]
    return [lines for lines in commands if lines]


BLOCKS = shell_blocks(README)


def test_readme_has_an_example_for_each_of_three_users():
    assert len(BLOCKS) >= 3


@pytest.mark.parametrize("lines", BLOCKS, ids=lambda lines: lines[0])
def test_readme_commands_run_one_after_the_other(lines, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TAPWRIGHT_RECORDS", str(tmp_path / "records.sqlite"))
    for folder in ("data_synthetic", "models"):
        (tmp_path / folder).symlink_to(ROOT / folder)
    (tmp_path / "out").mkdir()
    for line in lines:
        assert cli.main(shlex.split(line)[1:]) == 0, line
        assert capsys.readouterr().out.strip()


def test_readme_make_targets_exist():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in re.findall(r"(?:^|`)make ([a-z-]+)", README + DEVELOPERS, flags=re.MULTILINE):
        assert re.search(rf"^{target}:", makefile, flags=re.MULTILINE), target


def commands() -> list[str]:
    shown = subprocess.run(
        [sys.executable, "-m", "identify", "--help"], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout
    return re.findall(r"^    ([a-z]+)  ", shown, flags=re.MULTILINE)


@pytest.mark.parametrize("command", commands())
def test_command_is_documented_and_has_help_with_an_example(command, capsys):
    assert f"tapwright {command}" in README
    with pytest.raises(SystemExit) as stop:
        cli.main([command, "--help"])
    assert stop.value.code == 0
    assert f"tapwright {command}" in capsys.readouterr().out


@pytest.mark.parametrize("path", sorted(p.stem for p in (ROOT / "identify").glob("[a-z]*.py")))
def test_module_stands_in_the_floor_plan(path):
    assert f"`{path}`" in DEVELOPERS


def test_linked_files_exist():
    for target in re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS):
        assert (ROOT / target).exists(), target
