"""Which language the page speaks: a gettext catalogue each; English without one, for the page is written in it."""

from __future__ import annotations

import gettext
from pathlib import Path

ENGLISH = "en"
DOMAIN = "firstcause"
CATALOGUES = Path(__file__).parent / "catalogues"


def words_in(language: str) -> gettext.NullTranslations:
    """The words of `catalogues/LANGUAGE/LC_MESSAGES/firstcause.mo`; without that file, as they stand."""
    return gettext.translation(DOMAIN, CATALOGUES, [language], fallback=True)


def languages() -> tuple[str, ...]:
    """English and every language that has a catalogue, by its short name."""
    found = CATALOGUES.glob(f"*/LC_MESSAGES/{DOMAIN}.mo")
    return (ENGLISH, *sorted(path.parent.parent.name for path in found))
