"""What a shop says once for all its cases: name, rate, currency, units, language, tools it has not."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from firstcause.casebook.events import Strict
from firstcause.casebook.shop import Shop
from firstcause.casebook.whole_file import write_whole
from firstcause.errors import CaseError

Units = Literal["metric", "imperial"]


class SettingsUnreadable(CaseError):
    """The file with the shop's settings cannot be read."""

    def __init__(self, path: Path, why: str) -> None:
        self.path, self.why = path, why
        super().__init__(
            f"The shop's settings in {path.name} cannot be read: {why}. No case is touched. "
            "Correct the file, or take it away and set them again on the page."
        )


class ShopSettings(Strict):
    """The shop's terms. `labour_per_hour` None: the knowledge base's; `tools_missing`: what it does not own.

    `address` to `tax_number` stand on its papers; `paper_rules` names the list that they are looked at by.
    """

    name: Annotated[str, Field(max_length=120)] = ""
    labour_per_hour: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)] | None = None
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] = "USD"
    units: Units = "metric"
    language: Annotated[str, Field(pattern=r"^[a-z]{2}(_[A-Z]{2})?$")] = "en"
    tools_missing: frozenset[Annotated[str, Field(max_length=80)]] = frozenset()
    address: Annotated[str, Field(max_length=300)] = ""
    phone: Annotated[str, Field(max_length=60)] = ""
    email: Annotated[str, Field(max_length=120)] = ""
    registration_number: Annotated[str, Field(max_length=60)] = ""
    tax_number: Annotated[str, Field(max_length=60)] = ""
    paper_rules: Annotated[str, Field(pattern=r"^[a-z-]{0,40}$")] = ""

    def shop(self, known_tools: Iterable[str]) -> Shop:
        """The terms for the weighing: with nothing missing, nothing is said about tools at all."""
        owned = frozenset(known_tools) - self.tools_missing if self.tools_missing else None
        return Shop(self.labour_per_hour, owned)


def settings_path(casebook: Path) -> Path:
    """The file that belongs to a casebook: `casebook.db` -> `casebook.shop.json` beside it."""
    return casebook.with_suffix(".shop.json")


def read_settings(path: Path) -> ShopSettings | None:
    """What was kept; None when nothing was. Raises SettingsUnreadable with the reason."""
    if not path.exists():
        return None
    try:
        return ShopSettings.model_validate_json(path.read_bytes())
    except OSError as error:
        raise SettingsUnreadable(path, str(error)) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise SettingsUnreadable(path, f"{where}: {first['msg']}" if where else first["msg"]) from error


def keep_settings(path: Path, settings: ShopSettings) -> None:
    """Write them whole or not at all. Raises SettingsUnreadable when the disk refuses; the old ones stay then."""
    try:
        write_whole(path, settings.model_dump_json(indent=2) + "\n")
    except OSError as error:
        raise SettingsUnreadable(path, f"it cannot be written ({error}); the old settings stay") from error
