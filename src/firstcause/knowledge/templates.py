"""A new knowledge file to be filled in: each field explained in trade words, each gap named by the check."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.knowledge.base import Knowledge

FILL_IN = "FILL IN"
Kind = Literal["fault", "test", "repair"]
_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_HEAD = """\
# {what} of your own, for the pack {pack}. One file is one entry; the file has the name of the id.
# Write over each "{gap}: ..." (quotes too where a number is asked for). A line that begins with # is only a remark.
# When done: firstcause knowledge check --pack {pack} --own FOLDER
#
# Each group of numbers says where it comes from:
#   basis = "judgement"        your own estimate; why = "..." says on what it rests
#   basis = "common-practice"  what the trade does and nobody wrote down
#   basis = "published"        it stands in print; source = "..." names an id under [[sources]] at the end of the file
#   basis = "counted"          somebody counted; source = "..." as above

id = "{id}"
name = "{gap}: as one technician says it to another"
status = "draft"  # draft, reviewed, proven-in-cases, or withdrawn (then nobody uses it)
"""
_COMMON = """\
# Warnings shown with the step. Name each one that applies; leaving one out can hurt somebody. Known here:
{cautions}
cautions = []
"""
_SOURCES = """
# For basis "published" or "counted" only:
# [[sources]]
# id = "my-source"
# title = "What it is called"
# read_on = "2026-01-31"
# mark = "read"  # or "from-memory" when you did not have it in your hands
"""
_FAULT = """\
plain = "{gap}: as you would tell the owner, in one sentence"
# Where it sits. "place": stays with the cylinder when parts are moved (wiring, valves). "part": goes with the part
# (then the line `part` as well). "joint": between two cylinders. "bank": one bank. "shared": the whole engine.
scope = "{gap}: part, place, joint, bank or shared"
# part = "..."  # only with scope "part"; known here: {parts}
# watch = "..."  # what the owner should look out for

# When the trouble is likely back, if only the symptom is put right: km driven, from and to.
# [returns]
# after_km = [500, 8000]
# basis = "judgement"
# why = "..."

# How often it is the cause, against other causes of the same reach: a usual one has some 10 to 100, a rare one below 1.
[prior]
weight = ["{gap}: at 80,000 km", "{gap}: at 160,000 km", "{gap}: at 240,000 km"]
basis = "judgement"
why = "{gap}: why so often or so seldom"

# How the engine behaves with it: the chance (0 to 1) that it is at work when you look, in each condition;
# and how strong the trouble is then: shares that add up to 1.
[behaviour]
acts = {{ {acts} }}
# between_bouts = 30  # for a trouble that comes and goes: how long from one bout to the next, in {measure}
strength = {{ {strength} }}
basis = "judgement"
why = "{gap}: what you have seen of it"

# What it makes a test show: chances (0 to 1); what you leave out goes to the first, the unremarkable outcome.
# One block for each test that it shows on. `firstcause knowledge show TEST` lists the outcomes of a test.
[[shows]]
test = "{gap}: id of a test"
outcomes = {{ {gap_key} = "{gap}: 0 to 1; write the outcome's id before the = sign" }}
basis = "judgement"
why = "{gap}: why the test shows it so often"

# The repair that removes it, and how surely (0 to 1). Known here:
{repairs}
[[cured_by]]
repair = "{gap}: id of a repair"
chance = "{gap}: 0 to 1"
basis = "judgement"
why = "{gap}: what goes wrong when it does not help"

# What was told may make it likelier (factor above 1) or less likely (below 1). Questions known here:
{questions}
# [[story]]
# answer = "..."
# factor = 3.0
# basis = "judgement"
# why = "..."

# Another fault that brings this one about, and how often it has done so by the time the car comes in:
# [[caused_by]]
# fault = "..."
# chance = 0.3
# basis = "judgement"
# why = "..."
"""
_TEST = """\
how = "{gap}: what the hands do and where the eyes look, the engine's state, in two or three sentences"
# What one doing of it looks at. "cylinder": the cylinder as it is now. "part": the part that sits there (then the line
# `part` as well). "bank" or "engine": one bank, or all of it at once.
on = "{gap}: cylinder, part, bank or engine"
# part = "..."  # only with on = "part"; known here: {parts}
minutes = "{gap}: for one such thing, once what must be opened is open"
tools = []  # as the shop calls them: ["lamp", "mirror"]
access = []  # what must be open before; known here: {access}
# spoils = []  # ids of tests that mean less once this one was done

# What can come out, from the unremarkable to the most striking. When two causes show, you see the more striking.
[[outcomes]]
id = "nothing"
name = "{gap}: what one sees on a sound car"

[[outcomes]]
id = "found"
name = "{gap}: what one sees when it is found"
# says = "..."  # what this outcome means, or does not mean

# What one sees when nothing it could show is there (old engines look bad all the same). Adds up to 1.
[otherwise]
outcomes = {{ nothing = "{gap}: such as 0.95", found = "{gap}: such as 0.05" }}
basis = "judgement"
why = "{gap}: what fools one here"

# A fault that makes it show something, and how often (0 to 1). One block for each such fault.
# `firstcause knowledge show FAULT` tells what a fault shows already.
[[shown_by]]
fault = "{gap}: id of a fault"
outcomes = {{ found = "{gap}: 0 to 1" }}
basis = "judgement"
why = "{gap}: why it is seen, and why it is missed at times"
"""
_REPAIR = """\
plain = "{gap}: what is done, in one sentence the owner understands"
on = "{gap}: cylinder, joint, bank or engine - how far one such repair reaches"
# renews = "..."  # when it renews a part, and with it all that can be wrong with the part; known here: {parts}
minutes = "{gap}: the work itself, easy to reach"
minutes_buried = "{gap}: the same under the intake or against the bulkhead"
access = []  # what must be open before; known here: {access}
parts_class = "{gap}: none, or A (cheapest) to F; `firstcause knowledge show REPAIR` of a like one tells its class"

# What it removes, and how surely (0 to 1). One block for each fault.
[[cures]]
fault = "{gap}: id of a fault"
chance = "{gap}: 0 to 1"
basis = "judgement"
why = "{gap}: what goes wrong when it does not help"
"""
_BODIES: dict[Kind, str] = {"fault": _FAULT, "test": _TEST, "repair": _REPAIR}


def template_of(kind: Kind, entry_id: str, knowledge: Knowledge) -> str:
    """The text of a new file of that kind, with the ids that the pack knows; a gap is a text that begins FILL IN.

    Raises RequestError when the id is no id, or the pack has an entry of that name.
    """
    if not _ID.fullmatch(entry_id):
        raise RequestError(
            f"{entry_id!r} is no id. Nothing was written. Use lower case letters and digits, words joined by '-', "
            "such as coil-dead."
        )
    if entry_id in {*knowledge.faults, *knowledge.tests, *knowledge.repairs}:
        raise RequestError(
            f"The pack {knowledge.pack!r} has {entry_id!r} already. Nothing was written. Take another id, or copy the "
            "file of that entry into your folder and change the copy: it goes before the shipped one."
        )
    complaint, strengths = knowledge.model.complaint, knowledge.model.strengths[1:]
    head = _HEAD + _COMMON + _BODIES[kind] + _SOURCES
    return head.format(
        what=f"A {kind}", pack=knowledge.pack, id=entry_id, gap=FILL_IN, gap_key="outcome-id",
        cautions=_remark(f"{each.id}: {each.text}" for each in knowledge.cautions.values()),
        questions=_remark(f"{each.id}: {each.ask}" for each in knowledge.questions.values()),
        repairs=_remark(f"{each.id}: {each.name}" for each in knowledge.repairs.values()),
        parts=", ".join(knowledge.parts) or "none, nothing here can be moved",
        access=", ".join(knowledge.access) or "none",
        acts=", ".join(f'{each.id} = "{FILL_IN}: {each.name}"' for each in complaint.conditions),
        strength=", ".join(f'{name} = "{FILL_IN}: share"' for name in strengths),
        measure=complaint.words.measure,
    )  # fmt: skip


def write_new(kind: Kind, entry_id: str, knowledge: Knowledge, own: Path) -> Path:
    """Write the new file below `own`, as OWN/<pack>/<kind>s/<id>.toml; never over another. Returns its path.

    Raises RequestError as `template_of`, and when a file of that name stands there.
    """
    text = template_of(kind, entry_id, knowledge)
    folder = own / knowledge.pack / f"{kind}s"
    folder.mkdir(parents=True, exist_ok=True)
    for known in folder.rglob(f"{entry_id}.toml"):
        raise RequestError(f"{known} is there already and was kept as it is. Take another id, or fill in that file.")
    path = folder / f"{entry_id}.toml"
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    return path


def gaps_in(raw: object, where: str = "") -> Iterator[tuple[str, str]]:
    """Every gap of a template that nobody filled in yet: its place, and one sentence."""
    if isinstance(raw, str):
        if raw.startswith(FILL_IN):
            asked = raw.removeprefix(FILL_IN).strip(" :")
            yield where, f"is still to be filled in{f' ({asked})' if asked else ''}"
    elif isinstance(raw, dict):
        for key, value in raw.items():
            yield from gaps_in(value, f"{where}.{key}".removeprefix("."))
    elif isinstance(raw, list):
        for number, value in enumerate(raw, start=1):
            yield from gaps_in(value, f"{where}[{number}]")


def _remark(lines: Iterable[str]) -> str:
    return "\n".join(f"#   {each}" for each in lines) or "#   none"
