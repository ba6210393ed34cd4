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


def shell_lines(text: str) -> list[str]:
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    lines = [line.split("  #")[0].strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line]


COMMANDS = [line for line in shell_lines(README) if line.startswith("tapwright ")]


def test_readme_has_an_example_for_each_of_three_users():
    assert len(COMMANDS) >= 3


@pytest.mark.parametrize("line", COMMANDS)
def test_readme_command_runs(line, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TAPWRIGHT_RECORDS", str(tmp_path / "records.sqlite"))
    for folder in ("data_synthetic", "models"):
        (tmp_path / folder).symlink_to(ROOT / folder)
    (tmp_path / "out").mkdir()
    assert cli.main(shlex.split(line)[1:]) == 0
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
