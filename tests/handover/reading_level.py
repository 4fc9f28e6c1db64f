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


_GERMAN_WORD = re.compile(r"[A-Za-zÄÖÜäöüß][A-Za-zÄÖÜäöüß-]*")


def german_syllables(word: str) -> int:
    """Syllables of a German word by rule: groups of vowels, with the pairs that are spoken as one; at least 1."""
    found = re.findall(r"ie|ei|ai|au|eu|äu|ee|aa|oo|[aeiouyäöü]", word.lower())
    return max(1, len(found))


def german_grade(sentences: Iterable[str]) -> float:
    """School year (Austria, Germany) at which German sentences can be read, the first of the Vienna formulas:
    0.1935 MS + 0.1672 SL + 0.1297 IW - 0.0327 ES - 0.875, with MS the words of three syllables and more, IW those of
    more than six letters, ES those of one syllable, each in per cent, and SL the words in a sentence.

    Source: Bamberger and Vanecek, Lesen - Verstehen - Lernen - Schreiben (1984); the formula quoted from memory.
    """
    parts = [part for text in sentences for part in re.split(r"(?<=[.!?:])\s+", text) if _GERMAN_WORD.search(part)]
    found = [word for part in parts for word in _GERMAN_WORD.findall(part)]
    counts = [german_syllables(word) for word in found]
    share = 100.0 / len(found)
    return (
        0.1935 * share * sum(count >= 3 for count in counts)
        + 0.1672 * len(found) / len(parts)
        + 0.1297 * share * sum(len(word) > 6 for word in found)
        - 0.0327 * share * sum(count == 1 for count in counts)
        - 0.875
    )


def lix(sentences: Iterable[str]) -> float:
    """Words in a sentence plus the per cent of words longer than six letters.

    Source: Björnsson, Läsbarhet (1968); quoted from memory. Below 40 is light, above 60 heavy reading.
    """
    parts = [part for text in sentences for part in re.split(r"(?<=[.!?:])\s+", text) if _GERMAN_WORD.search(part)]
    found = [word for part in parts for word in _GERMAN_WORD.findall(part)]
    return len(found) / len(parts) + 100.0 * sum(len(word) > 6 for word in found) / len(found)
