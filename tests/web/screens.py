"""Every screen of the page, and a case that has something to show on each of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from firstcause.casebook.events import Agreed, Moved, Noted, Renewed

DRIVE = Path(__file__).parent.parent / "data" / "drives" / "survey_day_mph_1.csv"
FORMS = (
    "counted", "found", "found&test=leak-down", "found&test=compression-dry&place=cylinder%203", "moved", "renewed",
    "reseated", "told", "snapshot", "repaired", "repaired&repair=fit-coil", "agreed", "erased", "noted", "drove",
)  # fmt: skip
OF_A_CASE = (
    "", "/steps", "/parts", "/evidence", "/roadtest", "/handover", "/closing", "/cylinder/3", "/record", "/suspect",
    "/suspect?cause=coil-dead@coil-3", "/suspect?cause=vacuum-leak@engine", "/money",
    "/money?form=estimate",
)  # fmt: skip
OTHERS = ("/", "/new", "/settings", "/knowledge", "/knowledge/misfire", "/knowledge/misfire/coil-dead")
MODES = {"light": "light-usual", "dark": "dark-usual", "sun-and-large": "sun-large"}
"""What the cookie of a device says in each mode; sun and large type go together, as they do at the car."""


def full_case(shop: Any) -> str:
    """A misfiring car with a photo, a drive, a swap, a new part, a limit and a note."""
    case_id: str = shop.misfiring()
    for body in (
        Moved(part="coil", first=3, second=1, mark="from 3"),
        Renewed(part="plug", cylinder=3),
        Noted(words="Plug 3 was wet."),
        Agreed(work="find the cause", limit=400.0),
    ):
        shop.desk.record(case_id, body, "Ada")
    pixel = bytes.fromhex(
        "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c6360606060000000050001a5f6"
        "45400000000049454e44ae426082"
    )
    shop.client.post(f"/cases/{case_id}/photos", data={"about": "plug 3"}, files={"photo": ("p.png", pixel)})
    shop.client.post(f"/cases/{case_id}/drives", files={"log": (DRIVE.name, DRIVE.read_bytes())})
    return case_id


def addresses(case_id: str) -> list[str]:
    """The address of every screen."""
    of_the_case = [f"/cases/{case_id}{screen}" for screen in OF_A_CASE]
    forms = [f"/cases/{case_id}/record?kind={form}" for form in FORMS]
    return [*OTHERS, *of_the_case, *forms, f"/cases/{case_id}/step?key=plug-look%20at%20cylinder%203"]
