"""How hard a text is to read, by the published formula."""

from __future__ import annotations

import re
from collections.abc import Iterable

_WORD = re.compile(r"[A-Za-z][A-Za-z'’-]*")
# e at the end, but not the -le of needle; -es, but not of places; -ed, but not of heated
_SILENT = re.compile(r"([^aeiouyl]e|[aeiouy]le|[^aeiouyscxzgh]es|[^aeiouytd]ed)$")


def syllables(word: str) -> int:
    """Syllables of an English word by rule: groups of vowels, less a silent e at the end; at least 1.

    Vowels side by side that are spoken apart (cre-ated) count as one group: the rule then says one too few.
    """
    bare = re.sub(r"[^a-z]", "", word.lower())
    count = len(re.findall(r"[aeiouy]+", bare))
    return max(1, count - bool(_SILENT.search(bare)))


def grade_level(sentences: Iterable[str]) -> float:
    """School grade (US) at which the sentences can be read: 0.39 words/sentences + 11.8 syllables/words - 15.59.

    Source: Kincaid, Fishburne, Rogers, Chissom, Research Branch Report 8-75 (1975), Naval Technical Training; the
    formula quoted from memory. Numbers, codes and references are no words.
    """
    parts = [part for text in sentences for part in re.split(r"(?<=[.!?])\s+", text) if _WORD.search(part)]
    found = [word for part in parts for word in _WORD.findall(part)]
    return 0.39 * len(found) / len(parts) + 11.8 * sum(map(syllables, found)) / len(found) - 15.59
