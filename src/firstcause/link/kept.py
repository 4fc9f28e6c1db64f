"""The settings that found a car, kept in a small file, so that they need not be typed or looked for again."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.link.finding import Finding

Option = str | int | float | bool


@dataclass(frozen=True, slots=True)
class KeptAdapter:
    """How an adapter is opened, and which control units answered then; `bitrate` in bit/s.

    `options` are further ones of python-can, as its backend told them.
    """

    interface: str
    channel: str | int
    bitrate: int = 500_000
    wide: bool = False
    units: tuple[str, ...] = ()
    options: Mapping[str, Option] = field(default_factory=dict)

    @classmethod
    def of(cls, finding: Finding) -> KeptAdapter:
        """What a finding with a car says."""
        adapter = finding.adapter
        plain = {key: value for key, value in adapter.options.items() if isinstance(value, str | int | float | bool)}
        units = tuple(str(unit) for unit in (*finding.units, *finding.newer))
        return cls(adapter.interface, adapter.channel, finding.bitrate or 500_000, finding.width == 29, units, plain)

    def missing_now(self, now: KeptAdapter) -> tuple[str, ...]:
        """Units that answered then and do not now; empty when the identifiers are of another width: another car."""
        return tuple(unit for unit in self.units if unit not in now.units) if self.wide == now.wide else ()

    def to_toml(self) -> str:
        """The text of the file; reading it gives the same settings."""
        facts = {"interface": self.interface, "channel": self.channel, "bitrate": self.bitrate, "wide": self.wide,
                 "units": list(self.units)}  # fmt: skip
        lines = ["# Written by `firstcause link find`: how the car was found."]
        lines += [f"{key} = {json.dumps(value)}" for key, value in facts.items()]
        if self.options:
            lines += ["", "[options]"]
            lines += [f"{json.dumps(key)} = {json.dumps(value)}" for key, value in self.options.items()]
        return "\n".join(lines) + "\n"

    @classmethod
    def read(cls, path: Path) -> KeptAdapter:
        """From a file. Raises RequestError when it is not such a file."""
        try:
            facts = tomllib.loads(path.read_text(encoding="utf-8"))
            kept = cls(
                facts["interface"], facts["channel"], int(facts.get("bitrate", 500_000)),
                bool(facts.get("wide", False)), tuple(map(str, facts.get("units", ()))), dict(facts.get("options", {})),
            )  # fmt: skip
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, ValueError, TypeError) as cause:
            raise RequestError(
                f"{path.name} does not say how to open an adapter ({cause}). Nothing was sent; run `firstcause link "
                "find` again, or give --interface and --channel."
            ) from cause
        return kept
