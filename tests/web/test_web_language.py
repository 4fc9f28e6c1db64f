"""The page can be translated: every word of a template is marked, and a catalogue changes what is shown."""

from __future__ import annotations

import gettext
import re
from collections.abc import Iterator

import pytest

from firstcause.web import render
from firstcause.web.render import HERE, templates_in

TEMPLATES = sorted((HERE / "templates").glob("*.html"))
# Names, units and formats that are the same in every language.
THE_SAME = {"firstcause", "min", "kB", "PDF"}
CALL = r"\{%.*?%\}|\{\{.*?\}\}"
TOKEN = re.compile(rf"\{{#.*?#\}}|{CALL}|<[/!a-zA-Z](?:{CALL}|[^>{{]|\{{(?![{{%]))*>", re.DOTALL)
SPOKEN = re.compile(r"\b(?:aria-label|title|alt|placeholder)=\"([^\"{]*[A-Za-z]{2}[^\"{]*)\"")


def unmarked(source: str) -> Iterator[str]:
    """Words of a template that no translator would see: text outside _() and trans, and spoken attributes."""
    source = re.sub(r"\{% block body_marks %\}.*?\{% endblock %\}", "", source)  # attributes of the body, no words
    source = re.sub(r"\{% trans.*?%\}.*?\{% endtrans %\}", "", source, flags=re.DOTALL)
    for words in re.findall(r"[A-Za-z]{2,}[A-Za-z ,']*", TOKEN.sub("\0", source).replace("&amp;", "")):
        if words.strip() not in THE_SAME:
            yield words
    yield from SPOKEN.findall(source)


def test_unmarked_words_are_seen():
    bare = '<p title="Bare one">{{ _("Marked") }} bare {% trans %}Marked{% endtrans %}</p>'
    assert list(unmarked(bare)) == ["bare ", "Bare one"]


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_every_word_of_a_template_is_marked(template):
    assert list(unmarked(template.read_text(encoding="utf-8"))) == []


def test_a_catalogue_changes_the_words_also_inside_macros(monkeypatch):
    class Backwards(gettext.NullTranslations):
        def gettext(self, message: str) -> str:
            return message[::-1]

    monkeypatch.setattr(render, "words_in", lambda language: Backwards())
    made = templates_in("xx").from_string("{% import 'pieces.html' as p %}{{ _('Keep') }} {{ p.name_another(v, []) }}")
    shown = made.render(v={"case_id": "c1"})
    assert shown.startswith("peeK ")
    assert "ti tsniaga skaeps tahw yaS" in shown
