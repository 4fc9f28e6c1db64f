"""Each request is answered in the language of the shop: said once at the door, heard by everything behind it."""

from __future__ import annotations

import gettext
from collections.abc import Callable

from starlette.types import ASGIApp, Receive, Scope, Send

from firstcause.tongue import catalogue, speaking


class Words(gettext.NullTranslations):
    """The catalogue of one language as the templates ask for it."""

    def __init__(self, language: str) -> None:
        super().__init__()
        self._texts = catalogue(language)

    def gettext(self, message: str) -> str:
        return self._texts.get(message, message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """One or many: the two forms that English and German have."""
        return self.gettext(msgid1 if n == 1 else msgid2)


def words_in(language: str) -> gettext.NullTranslations:
    """The words of a language for the templates; what it does not have stays English."""
    return Words(language)


class SpeaksTheShopsLanguage:
    """Speaks the language of the settings while a request is answered."""

    def __init__(self, app: ASGIApp, language: Callable[[], str]) -> None:
        self._app, self._language = app, language

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with speaking(self._language()):
            await self._app(scope, receive, send)
