"""The model of a case for other tools: its heading and remarks in words, the rest from the reasoning."""

from __future__ import annotations

from firstcause import __version__
from firstcause.casebook.case import Case
from firstcause.casebook.history import history_of
from firstcause.casebook.words import holder_words, say
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.compiled import compile_model
from firstcause.reasoning.export import Exported, to_bif


def model_as_bif(case: Case, knowledge: Knowledge, name: str) -> Exported:
    """The compiled model of a case as it stands, in the BIF interchange format; `name` says in it which case it is.

    Raises as `history_of` and `compile_model` do: a CaseError or RequestError that names what cannot be read.
    """
    model = compile_model(knowledge, case.facts, history_of(case, knowledge))
    bodies = {event.id: event.body for event in case.effective}
    remarks = {
        cause.id: f"{model.entry(cause.id).name}, {holder_words(model.facts[cause.id].holder, knowledge)}"
        for cause in model.network.causes
    }
    remarks |= {finding: say(bodies[event], knowledge) for finding, event in model.happening_of.items()}
    heading = (
        f"{name}: {case.title}, {len(case.effective)} events that count.",
        f"Knowledge: pack {knowledge.pack}, version {knowledge.version}. Written by firstcause {__version__}.",
    )
    return to_bif(model.network, heading, remarks)
