"""Bring the catalogues in src/firstcause/tongues up to date with the English, and say what is not translated.

    python tools/tongues.py                 all languages: new texts are added empty, texts that are gone go
    python tools/tongues.py --list de       print the untranslated texts, numbered, one a line
    python tools/tongues.py --take de LIST ANSWERS   LIST as --list printed it; ANSWERS: `NUMBER<tab>translation` lines

One catalogue for the program, one for each pack of knowledge; the key of a text is its English. A translator edits the
.po files with any editor. Needs babel and jinja2, both in the lock.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_javascript
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract

from firstcause.knowledge.base import load, pack_names
from firstcause.knowledge.spoken import texts_of
from firstcause.tongue import TONGUES

SOURCE = TONGUES.parent
REFRESH = "python tools/tongues.py"


def in_python(file: Path) -> Iterator[str]:
    """Texts marked in a module: the first argument of _() and N_(), every text in a table Said()."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
            said = node.args[0]
            if (node.func.id == "_" and isinstance(said, ast.Constant | ast.IfExp)) or node.func.id == "N_":
                yield from _strings(said)
            elif node.func.id == "Said" and isinstance(said, ast.Dict):
                for value in said.values:
                    yield from _strings(value)


def _strings(node: ast.AST) -> Iterator[str]:
    for part in ast.walk(node):
        if isinstance(part, ast.Constant) and isinstance(part.value, str) and re.search(r"[^\W\d_]", part.value):
            yield part.value


def in_template(file: Path) -> Iterator[str]:
    """Texts marked in a template: _() and trans blocks, trimmed."""
    with file.open("rb") as lines:
        for _, _, message, _ in babel_extract(lines, ("_", "gettext", "ngettext"), (), {"trimmed": "true"}):
            yield from (part for part in (message if isinstance(message, tuple) else (message,)) if part)


def in_script(file: Path) -> Iterator[str]:
    """Texts marked in a script of the page with _()."""
    with file.open("rb") as lines:
        for _, _, message, _ in extract_javascript(lines, ("_",), (), {}):  # type: ignore[no-untyped-call]
            yield str(message)


def program_texts() -> Iterator[str]:
    """Every marked text of the program, in the order of its files."""
    for file in sorted(SOURCE.rglob("*.py")):
        yield from in_python(file)
    for pattern in ("*.html", "*.j2"):
        for file in sorted(SOURCE.rglob(pattern)):
            yield from in_template(file)
    for file in sorted((SOURCE / "web" / "static").glob("*.js")):
        yield from in_script(file)


def wanted() -> dict[str, list[str]]:
    """The texts of each catalogue; one that several packs hold stands in the first of them only."""
    found, seen = {}, set[str]()
    for name in ("program", *sorted(pack_names(), key=lambda pack: (pack != "misfire", pack))):
        texts = program_texts() if name == "program" else texts_of(load(name))
        found[name] = [text for text in dict.fromkeys(texts) if text not in seen]
        seen |= set(found[name])
    return found


def read(file: Path) -> dict[str, str]:
    """The translations that a catalogue holds, fuzzy ones left out."""
    if not file.exists():
        return {}
    with file.open("rb") as lines:
        return {str(each.id): str(each.string) for each in read_po(lines) if each.id and each.string and not each.fuzzy}


def ids_in(file: Path) -> list[str]:
    """The English texts that stand in a catalogue, translated or not."""
    if not file.exists():
        return []
    with file.open("rb") as lines:
        return [str(each.id) for each in read_po(lines) if each.id]


def write(file: Path, language: str, texts: list[str], known: dict[str, str]) -> None:
    """A catalogue in the order of the texts, without dates or line numbers, so that a change is as small as it is."""
    catalog = Catalog(locale=language, project="firstcause", fuzzy=False)
    for text in texts:
        catalog.add(text, known.get(text, ""))
    made = BytesIO()
    write_po(made, catalog, width=0, omit_header=True, no_location=True)
    head = f'msgid ""\nmsgstr ""\n"Language: {language}\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n\n'
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(head + made.getvalue().decode(), encoding="utf-8")


def missing(language: str) -> dict[str, list[str]]:
    """The texts of each catalogue that have no translation."""
    known = {text: said for file in sorted((TONGUES / language).glob("*.po")) for text, said in read(file).items()}
    return {name: [text for text in texts if text not in known] for name, texts in wanted().items()}


def refresh(language: str, more: dict[str, str] | None = None) -> None:
    """Write every catalogue of a language again."""
    known = {text: said for file in sorted((TONGUES / language).glob("*.po")) for text, said in read(file).items()}
    known |= more or {}
    for name, texts in wanted().items():
        write(TONGUES / language / f"{name}.po", language, texts, known)
        done = sum(text in known for text in texts)
        print(f"{language} {name}: {done} of {len(texts)} texts")


def taken(asked: Path, answers: Path) -> dict[str, str]:
    """Answers to a list, by the English. Raises SystemExit for a number that was not asked, or lost {places}."""
    texts = [ast.literal_eval(line.split("\t", 1)[1]) for line in asked.read_text(encoding="utf-8").splitlines()]
    found = {}
    for line in filter(str.strip, answers.read_text(encoding="utf-8").splitlines()):
        number, _, words = line.partition("\t")
        text = texts[int(number)]
        words = words.replace("\\n", "\n")
        if places(text) != places(words):
            raise SystemExit(f"{number}: {text!r} and {words!r} do not name the same places")
        found[text] = _edged(text, words)
    return found


def places(text: str) -> set[str]:
    """What stands in a text's places: {name} with its format, %(name)s."""
    return set(re.findall(r"\{\w+[^}]*\}|%\(\w+\)s", text))


def _edged(text: str, words: str) -> str:
    """The translation with the blanks at its ends that the English has; none before a sign that takes none."""
    start = "" if words.lstrip()[:1] in (",", ";", ".", ":") else text[: len(text) - len(text.lstrip())]
    end = text[len(text.rstrip()) :]
    return f"{start}{words.strip()}{end}"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--list", metavar="LANGUAGE")
    arguments.add_argument("--only", metavar="CATALOGUE", help="list only this one")
    arguments.add_argument("--take", nargs=3, metavar=("LANGUAGE", "LIST", "ANSWERS"))
    said = arguments.parse_args()
    if said.list:
        for name, texts in missing(said.list).items():
            if said.only in (None, name):
                sys.stdout.writelines(f"{number}\t{text!r}\n" for number, text in enumerate(texts))
        return
    if said.take:
        language, asked, answers = said.take
        refresh(language, taken(Path(asked), Path(answers)))
        return
    for folder in sorted(each for each in TONGUES.iterdir() if each.is_dir()):
        refresh(folder.name)


if __name__ == "__main__":
    main()
