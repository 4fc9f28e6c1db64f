"""What the trade knows, to be read: the packs, the faults of one, and one fault with what speaks for and against it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from firstcause.handover.catalogue import DEFER, SCALE, Catalogue, catalogue_of, found_by
from firstcause.handover.catalogue_html import bar_svg
from firstcause.tongue import _
from firstcause.web.desk import Desk
from firstcause.web.pages import TheDesk, TheRender

router = APIRouter(include_in_schema=False)


def _catalogue(desk: Desk, pack: str) -> Catalogue:
    """Worked out once for each pack; no such pack is no such page."""
    if pack not in desk.packs:
        raise HTTPException(404)
    worked_out = desk.pack(pack).worked_out
    key = ("catalogue", pack)
    if key not in worked_out:
        worked_out[key] = catalogue_of(desk.pack(pack))
    found: Catalogue = worked_out[key]
    return found


@router.get("/knowledge")
def packs(request: Request, desk: TheDesk, render: TheRender) -> Response:
    return render.page(request, "knowledge.html", {"packs": [_catalogue(desk, pack) for pack in desk.packs]})


@router.get("/knowledge/{pack}")
def one_pack(
    request: Request, pack: str, desk: TheDesk, render: TheRender, q: Annotated[str, Query(max_length=80)] = ""
) -> Response:
    catalogue = _catalogue(desk, pack)
    values = {"pack": catalogue, "q": q.strip(), "found": found_by(catalogue, q)}
    return render.page(request, "knowledge_pack.html", values)


@router.get("/knowledge/{pack}/{entry}")
def one_entry(request: Request, pack: str, entry: str, desk: TheDesk, render: TheRender) -> Response:
    leaf = next((leaf for leaf in _catalogue(desk, pack).leaves if leaf.id == entry), None)
    if leaf is None:
        raise HTTPException(404)
    values = {"pack": pack, "leaf": leaf, "bar": bar_svg, "scale": _(SCALE), "defer": _(DEFER)}
    return render.page(request, "knowledge_entry.html", values)
