"""The main job, whole: both stories of the tryout, judged by the virtual car's truth and by what is left on disk."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from firstcause.casebook.case import Case
from firstcause.casebook.events import Erased, Repaired, Snapshot
from firstcause.casebook.ledger import ledger_of
from firstcause.casebook.store import CaseStore
from firstcause.casebook.written import read_case
from firstcause.cli.main import main
from firstcause.knowledge.base import load
from firstcause.link import ReplayBus, Session

pytestmark = pytest.mark.xdist_group("tryout")  # one worker plays it once


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("tryout")
    result = CliRunner().invoke(main, ["tryout", "--into", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.output


def case(folder: Path, case_id: str) -> Case:
    with CaseStore(folder / "casebook.db", clock=lambda: datetime.now(UTC)) as store:
        assert store.check(case_id).is_whole
        return store.case(case_id)


def test_the_valve_and_not_the_tempting_coil_is_found_repaired_and_proven(played: tuple[Path, str]) -> None:
    """The car's truth is an exhaust valve of cylinder 3; the owner's friend blames the coil."""
    valve = case(played[0], "c-0001")
    assert valve.state == "cured"
    assert [body.repair for body in valve.bodies(Repaired)] == ["head-overhaul"]
    assert "coil-new" not in played[1]
    drive = valve.drives[-1]
    assert drive.judgement is not None
    assert drive.judgement["came_back"] == "met"
    assert sum(drive.misfires.values()) <= 3


def test_a_new_plug_is_closed_as_relief_and_the_word_cured_refused(played: tuple[Path, str]) -> None:
    """The car's truth is oil past the rings of cylinder 5, which the new plug leaves as it is."""
    rings = case(played[0], "c-0002")
    assert rings.state == "relieved"
    assert "The tool refuses 'cured'" in played[1]
    assert sum(rings.drives[-1].misfires.values()) <= 3


@pytest.mark.parametrize("case_id", ["c-0001", "c-0002"])
def test_every_part_that_came_with_the_car_is_back_in_its_place(played: tuple[Path, str], case_id: str) -> None:
    assert ledger_of(case(played[0], case_id), load()).put_back == ()


@pytest.mark.parametrize("case_id", ["c-0001", "c-0002"])
def test_the_erase_came_after_the_evidence_and_left_the_permanent_record(
    played: tuple[Path, str], case_id: str
) -> None:
    """A clear does not touch permanent codes: 13 CCR 1968.2(d)(2.5), read in the reference notes."""
    effective = case(played[0], case_id).effective
    erased_at = next(at for at, event in enumerate(effective) if isinstance(event.body, Erased))
    before = [event.body for event in effective[:erased_at] if isinstance(event.body, Snapshot)]
    after = next(event.body for event in effective[erased_at:] if isinstance(event.body, Snapshot))
    assert before[-1].stored
    assert after.stored == ()
    assert set(after.permanent) >= set(before[0].permanent) != set()


def test_it_leaves_what_it_names(played: tuple[Path, str]) -> None:
    folder = played[0]
    for story in ("valve", "rings"):
        for name in ("owner.html", "owner.pdf", "annex.html", "annex.pdf", "record.html", "record.pdf", "case.toml",
                     "case.zip", "bus.log", "road-test.csv"):  # fmt: skip
            assert (folder / f"{story}-{name}").stat().st_size > 1000, name


def test_the_written_case_is_the_case(played: tuple[Path, str]) -> None:
    folder = played[0]
    written = read_case((folder / "valve-case.toml").read_text(encoding="utf-8"), at=datetime.now(UTC))
    assert tuple(written.events) == case(folder, "c-0001").events


def test_the_recorded_bus_answers_again(played: tuple[Path, str]) -> None:
    with Session(ReplayBus.from_file(played[0] / "valve-bus.log")) as session:
        assert [str(unit) for unit in session.find_units()] == ["7E8"]


@pytest.mark.pdf
def test_relief_is_nowhere_called_cure_on_the_owners_page(played: tuple[Path, str]) -> None:
    text = subprocess.run(
        ["pdftotext", "-layout", str(played[0] / "rings-owner.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "relief, not a cure" in text
    assert "The cause is gone" not in text
    assert text.count("\f") == 1, "the owner's page is one page"
