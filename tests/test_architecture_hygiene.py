"""What must never be committed: registry addresses, paths of one machine, words that are not ours, a stale lock."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
NOT_OUR_TEXT = ("tests/data/", "src/firstcause/web/static/vendor/")  # carried with source and licence, word for word


def _pattern(*pieces: str) -> str:
    """Alternatives; each is written with ~ inside, so that this file does not hold what it looks for."""
    return "|".join(pieces).replace("~", "")


REGISTRY = re.compile(
    _pattern(r"pypi~\.org", r"pythonhosted~\.", r"registry~\.npmjs", r"deb~\.debian", r"proxy~\.golang", r"crates~\.io")
)
MACHINE_PATH = re.compile(
    r"(?<![\w.])(?:"
    + _pattern("/wo~rk/(?:main|shared)", "/ro~ot/", r"/ho~me/\w+/", r"/Us~ers/\w+/", r"[A-Z]:\\+Us~ers")
    + ")"
)
FOREIGN_WORD = re.compile(
    r"\b(?:" + _pattern(r"trans~cript\w*", "you~tube", "sub~titles?", r"vid~eos?(?!/)") + r")\b", re.IGNORECASE
)


def committed() -> dict[str, str]:
    """Name -> text of every committed file that is text."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    texts = {}
    for name in filter(None, listed.split("\0")):
        path = ROOT / name
        if not path.is_file():
            continue
        raw = path.read_bytes()
        if b"\0" not in raw[:8000]:
            texts[name] = raw.decode("utf-8", errors="replace")
    return texts


def hits(pattern: re.Pattern[str], texts: dict[str, str]) -> list[str]:
    """Where a pattern stands, in the lines and in the file names."""
    found = [f"{name}: the file's name" for name in texts if pattern.search(name)]
    for name, text in texts.items():
        if pattern.search(text):
            lines = enumerate(text.splitlines(), 1)
            found += [f"{name}:{number}: {line.strip()[:100]}" for number, line in lines if pattern.search(line)]
    return found


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout, so nothing is committed here")
    found = committed()
    assert "pyproject.toml" in found
    return found


def test_no_registry_address(texts):
    assert hits(REGISTRY, texts) == []


def test_no_path_of_one_machine(texts):
    assert hits(MACHINE_PATH, texts) == []


def test_no_foreign_words(texts):
    assert hits(FOREIGN_WORD, {name: text for name, text in texts.items() if not name.startswith(NOT_OUR_TEXT)}) == []


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (REGISTRY, "--index-" + "url https://py" + "pi.org/simple"),
        (REGISTRY, '"resol' + 'ved": "https://registry.npm' + 'js.org/x"'),
        (MACHINE_PATH, 'open("/wo' + 'rk/main/x.csv")'),
        (MACHINE_PATH, "see /ho" + "me/jo/case.toml"),
        (FOREIGN_WORD, "# as the Trans" + "cript says"),
        (FOREIGN_WORD, "taken from the vid" + "eo"),
    ],
)
def test_each_kind_is_seen(pattern, line):
    """The checks themselves can fail."""
    assert hits(pattern, {"notes.md": line}) == [f"notes.md:1: {line}"]


def test_the_locks_hold_what_the_project_asks_for():
    """Every dependency is pinned, and the lock files were made again after the last change (`make lock`)."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    groups = project["dependency-groups"]
    run = project["project"]["dependencies"] + groups["build"]

    for lock, asked in {"run.txt": run, "dev.txt": run + groups["dev"]}.items():
        locked = (ROOT / "requirements" / lock).read_text(encoding="utf-8").splitlines()
        pins = {line.split(" ")[0] for line in locked if not line.startswith(" ")}
        assert [entry for entry in asked if entry.split(";")[0] not in pins] == [], f"{lock} is stale: run make lock"
