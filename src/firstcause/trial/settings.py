"""The rules of the trial, read from the file in which they were fixed beforehand."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from firstcause.errors import RequestError

CORRECT = "correct"


@dataclass(frozen=True)
class Variant:
    """How the physics differs from the usual: factors on instrument noise, misreading rates and severities."""

    name: str = CORRECT
    noise: float = 1.0
    misreading: float = 1.0
    severity: float = 1.0


@dataclass(frozen=True)
class Settings:
    """The file's tables as they stand; its comments say what each number means."""

    seeds: Mapping[str, int]
    prices: Mapping[str, Any]
    limits: Mapping[str, int]
    year: Mapping[str, Any]
    draw: Mapping[str, Any]
    misspecified: Mapping[str, Mapping[str, float]]

    def variant(self, name: str) -> Variant:
        """The variant of this name; raises RequestError when the file has none."""
        if name == CORRECT:
            return Variant()
        if name not in self.misspecified:
            known = ", ".join((CORRECT, *self.misspecified))
            raise RequestError(f"No physics is called {name!r}; there are {known}. Nothing was begun.")
        return Variant(name, **self.misspecified[name])


@cache
def settings() -> Settings:
    """The rules that are shipped."""
    text = resources.files("firstcause.trial").joinpath("settings.toml").read_text(encoding="utf-8")
    return Settings(**tomllib.loads(text))
