"""Personal data of a case: kept beside the events, so that they can be deleted without touching what happened."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from firstcause.casebook.events import Strict

PersonRef = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]


class Person(Strict):
    """Who a case concerns. Events refer to a person by a short word such as `owner`, never by these data."""

    name: str = ""
    phone: str = ""
    plate: str = ""
    email: str = ""
    address: str = ""
