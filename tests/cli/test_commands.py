"""The command line as its user meets it: output, JSON with stable keys, and exit codes that mean something."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from firstcause.casebook.case import replay
from firstcause.casebook.events import Attached, Drove
from firstcause.casebook.store import CaseStore
from firstcause.casebook.weighing import weigh_case
from firstcause.casebook.written import read_case
from firstcause.cli.main import main
from firstcause.cli.output import CANNOT_BE_DONE, CAR_DID_IT, FILE_IS_BAD, FOUND_WANTING
from firstcause.cli.weigh import print_card
from firstcause.knowledge.base import load
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import VirtualBusCar
from firstcause.virtualcar.car import VirtualCar

CASE = """
[car]
make = "Calder"
model = "Arvo"
engine_code = "CV20E"
distance_km = 190000
[car.engine]
shape = "I4"

[[event]]
kind = "told"
lamp = "flashing"

[[event]]
kind = "snapshot"
stored = ["P0303"]
freeze_frame = { code = "P0303", rpm = 720, load_percent = 22, coolant_c = 88, speed_kmh = 0 }

[[event]]
kind = "counted"
minutes = { idle = 3 }
rpm = 720
misfires = { 1 = 0, 2 = 1, 3 = 214, 4 = 0 }

[[event]]
kind = "moved"
part = "coil"
first = 3
second = 1
mark = "one dot"

[[event]]
kind = "counted"
minutes = { idle = 3 }
rpm = 720
misfires = { 1 = 0, 2 = 0, 3 = 230, 4 = 0 }
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def test_help_lists_every_command_and_what_exit_codes_mean() -> None:
    result = run("--help")
    assert result.exit_code == 0
    commands = (
        "tryout", "weigh", "plan", "prove", "handover", "case", "snapshot", "erase", "export-model", "knowledge",
        "serve",
    )  # fmt: skip
    for command in commands:
        assert f"  {command} " in result.output
    assert "Exit codes" in result.output


def test_weigh_says_first_whether_it_may_be_driven(case_file: Path) -> None:
    """A flashing lamp is the regulated sign of catalyst-damaging misfire: 13 CCR 1968.2(e)(3.4.1)(A)(ii)."""
    result = run("weigh", case_file)
    assert result.exit_code == 0, result.output
    assert result.output.index("May it be driven?") < result.output.index("Suspects")
    assert "NO." in result.output
    assert "coil-3 sits at cylinder 1 and came from cylinder 3, marked one dot." in result.output


def test_weigh_as_json_has_stable_keys_and_acquits_the_swapped_coil(case_file: Path) -> None:
    """Common practice, no source: a coil swap that leaves the misfire in its cylinder speaks against the coil."""
    result = run("weigh", case_file, "--json")
    assert result.exit_code == 0, result.output
    weighed = json.loads(result.stdout)
    assert {"safety", "suspects", "victims", "next_steps", "ledger", "objections", "notes", "state"} <= set(weighed)
    assert all("coil" not in suspect["where"] for suspect in weighed["suspects"][:3])
    assert {"key", "minutes", "price", "expected_cost", "cautions", "outcomes"} <= set(weighed["next_steps"][0])
    costs = [step["expected_cost"] for step in weighed["next_steps"]]
    assert costs == sorted(costs)


def test_a_case_cut_in_half_is_one_sentence_and_exit_code_4(tmp_path: Path) -> None:
    path = tmp_path / "cut.toml"
    path.write_text(CASE[: CASE.index("misfires = { 1 = 0, 2 = 0") + 20], encoding="utf-8")
    result = run("weigh", path)
    assert result.exit_code == FILE_IS_BAD
    assert result.stderr.startswith("firstcause: ")
    assert "Traceback" not in result.output


def test_a_log_without_time_is_one_sentence_and_exit_code_4(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("rpm,speed\n800,0\n900,0\n", encoding="utf-8")
    result = run("prove", path)
    assert result.exit_code == FILE_IS_BAD
    assert "time" in result.stderr


def test_prove_reads_a_certification_cycle_and_says_what_it_did_not_evaluate() -> None:
    """UDDS, 513 samples at or above 25 mph and 38 s of idle (datasets.md, computed there from fastsim 2.1.5)."""
    cycle = Path(__file__).parents[1] / "data" / "cycles" / "udds.csv"
    result = run("prove", cycle, "--engine-ran", "--json")
    assert result.exit_code == 0, result.output
    drive = json.loads(result.stdout)["drives"][0]
    assert drive["minimum_drive"] == "met"


def test_prove_with_a_case_attached_judges_against_its_freeze_frame(case_file: Path, tmp_path: Path) -> None:
    car = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 90_000.0, seed=1)
    log = car.drive("mixed").write_csv(tmp_path / "drive.csv")
    result = run("prove", log, "--case", case_file, "--pictures", tmp_path / "pictures", "--json")
    assert result.exit_code == 0, result.output
    drive = json.loads(result.stdout)["drives"][0]
    assert drive["freeze_frame"]["rpm"] == 720
    assert drive["came_back"] == "met"
    assert len(list((tmp_path / "pictures").glob("*.svg"))) == 2


def test_a_mapping_without_equals_sign_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,speed\n0,0\n1,0\n", encoding="utf-8")
    result = run("prove", log, "--map", "speed")
    assert result.exit_code == CANNOT_BE_DONE
    assert "HEADING=MEANING" in result.stderr


def test_knowledge_check_passes_on_the_shipped_pack_and_fails_on_a_broken_one(tmp_path: Path) -> None:
    assert run("knowledge", "check").exit_code == 0
    (tmp_path / "broken" / "faults").mkdir(parents=True)
    (tmp_path / "broken" / "faults" / "bad.toml").write_text("id = 3", encoding="utf-8")
    result = run("knowledge", "check", "--folder", tmp_path, "--pack", "broken")
    assert result.exit_code == FOUND_WANTING
    assert "bad.toml" in result.output


def test_knowledge_show_names_near_entries_for_an_unknown_one() -> None:
    assert "leak-down" in run("knowledge", "show", "leak-down").output
    result = run("knowledge", "show", "leak-dwn")
    assert result.exit_code == CANNOT_BE_DONE
    assert "leak-down" in result.stderr


def test_the_casebook_takes_lists_writes_exports_and_checks(case_file: Path, tmp_path: Path) -> None:
    book, other = tmp_path / "book.db", tmp_path / "other.db"
    assert run("case", "take", case_file, "--casebook", book).output.strip() == "c-0001"
    listed = json.loads(run("case", "list", "--casebook", book, "--json").stdout)
    assert [(line["case"], line["state"], line["events"]) for line in listed] == [("c-0001", "open", 6)]
    written = tmp_path / "again.toml"
    written.write_text(run("case", "write", "c-0001", "--casebook", book).stdout, encoding="utf-8")
    assert json.loads(run("weigh", written, "--json").stdout) == json.loads(run("weigh", case_file, "--json").stdout)
    bundle = tmp_path / "case.zip"
    assert run("case", "export", "c-0001", bundle, "--casebook", book).exit_code == 0
    assert "6 new event(s)" in run("case", "import", bundle, "--casebook", other).output
    assert "0 new event(s)" in run("case", "import", bundle, "--casebook", other).output
    assert "whole" in run("case", "check", "c-0001", "--casebook", other).output
    assert json.loads(run("case", "check", "c-0001", "--casebook", other, "--json").stdout)["whole"]


def test_snapshot_and_erase_on_the_bus(case_file: Path, tmp_path: Path) -> None:
    """Erasing demands a saved snapshot, the engine off, and the word; then the permanent record is all that stays."""
    book = tmp_path / "book.db"
    run("case", "take", case_file, "--casebook", book)
    car = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 190_000.0, [("coil-weak", 3, 1.1)], seed=2)
    car.own(200.0, "town", until_lamp=True)
    adapter = ["--interface", "virtual", "--channel", "cli-test", "--casebook", str(book), "--case", "c-0001"]
    with VirtualBusCar(car, "cli-test"):
        car.start()
        car.idle(1.0)
        early = run("erase", *adapter, "--word", "ERASE")
        assert early.exit_code == CANNOT_BE_DONE, early.output
        taken = run("snapshot", *adapter, "--record", str(tmp_path / "bus.log"))
        assert taken.exit_code == 0, taken.output
        assert "confirmed: P0303" in taken.output
        again = json.loads(run("snapshot", *adapter, "--json").stdout)
        assert again["units"][0]["confirmed"] == ["P0303"]
        running = run("erase", *adapter, "--word", "ERASE")
        assert running.exit_code == CANNOT_BE_DONE
        assert car.unit.codes("confirmed") == ("P0303",)
        car.stop()
        assert run("erase", *adapter, "--word", "please").exit_code == CANNOT_BE_DONE
        done = run("erase", *adapter, "--word", "ERASE")
        assert done.exit_code == 0, done.output
    assert car.unit.codes("confirmed") == ()
    assert car.unit.codes("permanent") == ("P0303",)
    assert (tmp_path / "bus.log").stat().st_size > 1000
    with CaseStore(book, clock=lambda: datetime.now(UTC)) as store:
        (kept,) = store.case("c-0001").bodies(Attached)
    assert kept.about.startswith("bus recording of e")
    assert kept.sha256 == hashlib.sha256((tmp_path / "bus.log").read_bytes()).hexdigest()


def test_no_car_on_the_bus_is_exit_code_5(tmp_path: Path) -> None:
    result = run("snapshot", "--interface", "virtual", "--channel", "nobody", "--into", tmp_path / "x.json")
    assert result.exit_code == CAR_DID_IT
    assert not (tmp_path / "x.json").exists()


def test_the_page_is_not_served_beyond_this_machine(tmp_path: Path) -> None:
    result = run("serve", "--host", "0.0.0.0", "--casebook", tmp_path / "book.db")
    assert result.exit_code == CANNOT_BE_DONE
    assert "this machine only" in result.stderr


CLOSED_AS_CURED = CASE + '\n[[event]]\nkind = "closed"\nstate = "cured"\n'


def test_a_case_file_closed_as_cured_against_the_record_is_not_taken_in(tmp_path: Path) -> None:
    path, book = tmp_path / "cured.toml", tmp_path / "book.db"
    path.write_text(CLOSED_AS_CURED, encoding="utf-8")
    result = run("case", "take", path, "--casebook", book)
    assert result.exit_code == FILE_IS_BAD
    assert "event e7 (closed) cannot stand" in result.stderr
    assert "still shows misfires" in result.stderr
    assert "Nothing was taken over" in result.stderr
    assert not book.exists()
    assert re.search(r"closed as cured against \d hard objections\)$", run("weigh", path).output.splitlines()[0])


def test_sealed_history_closed_as_cured_is_taken_in_and_marked(tmp_path: Path) -> None:
    """What was sealed elsewhere stays what it is; the mark says what stands against it."""
    book, other, bundle = tmp_path / "book.db", tmp_path / "other.db", tmp_path / "case.zip"
    with CaseStore(book, clock=lambda: datetime.now(UTC)) as store:
        store.adopt(read_case(CLOSED_AS_CURED, at=datetime.now(UTC)).events, {})
    run("case", "export", "c-0001", bundle, "--casebook", book)
    imported = run("case", "import", bundle, "--casebook", other)
    assert imported.exit_code == 0, imported.output
    assert re.search(r"closed as cured against \d hard objections", imported.output)
    assert "closed as cured against" in run("case", "show", "c-0001", "--casebook", other).output.splitlines()[0]


@pytest.mark.parametrize("command", ["weigh", "take", "prove"])
def test_a_case_file_that_is_no_utf_8_is_one_sentence(command: str, tmp_path: Path) -> None:
    path, log = tmp_path / "latin.toml", tmp_path / "log.csv"
    path.write_bytes(CASE.replace("Calder", "Caldér").encode("latin-1"))
    log.write_text("time,speed\n0,0\n1,0\n", encoding="utf-8")
    arguments: dict[str, list[str | Path]] = {
        "weigh": ["weigh", path],
        "take": ["case", "take", path],
        "prove": ["prove", log, "--case", path],
    }
    result = run(*arguments[command])
    assert result.exit_code == FILE_IS_BAD
    assert "not UTF-8" in result.stderr
    assert "Nothing was taken over" in result.stderr
    assert isinstance(result.exception, SystemExit)


def test_the_mark_that_some_editors_put_before_utf_8_is_no_part_of_the_case(tmp_path: Path) -> None:
    path = tmp_path / "marked.toml"
    path.write_text(CASE, encoding="utf-8-sig")
    assert run("weigh", path, "--json").exit_code == 0


@pytest.mark.parametrize("rate", ["-5", "0", "nan", "inf"])
def test_a_rate_that_is_no_amount_is_wrong_use(rate: str, case_file: Path) -> None:
    result = run("weigh", case_file, "--rate", rate)
    assert result.exit_code == 2
    assert "--rate" in result.stderr


def section(output: str, name: str) -> str:
    return output.split(f"\n{name}\n")[1].split("\n\n")[0]


def test_the_card_says_how_the_step_is_done_and_what_it_opens_in_words(case_file: Path) -> None:
    output = run("weigh", case_file).output
    card = section(output, "Next step")
    assert "How: " in card
    assert "The maker's service information comes first." in card
    assert "in the shop's currency" in card
    assert "e6  Misfires counted, 3 min idle: cylinder 3: 230, others none." in section(output, "What was recorded")


def test_what_a_step_opens_is_said_by_name_and_only_what_takes_time(capsys: pytest.CaptureFixture[str]) -> None:
    """The upper intake covers nothing on an engine that is easy to reach: 0 minutes in the knowledge base's access."""
    weighed = weigh_case(replay(read_case(CASE, at=datetime.now(UTC)).events), load())
    steps = weighed.to_dict()["next_steps"]
    step = next(step for step in steps if {"plug-out cylinder 3", "intake-plenum-off"} <= set(step["opens"]))
    print_card(step | {"minutes": 1.0}, weighed)
    card = capsys.readouterr().out
    assert "Plug out, well blown clean first (cylinder 3)" in " ".join(card.split())
    assert "Upper intake" not in card
    assert "plug-out" not in card
    assert "    1 minute, about" in card


BARE = CASE[: CASE.index("[[event]]")]
QUIET = BARE + '[[event]]\nkind = "counted"\nminutes = { idle = 3 }\nrpm = 720\nmisfires = { 1 = 0, 2 = 0, 3 = 0 }\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (BARE, "Nothing is recorded yet"),
        (QUIET, "Nothing left to look for."),
        (CASE + '\n[[event]]\nkind = "closed"\nstate = "declined"\n', "The case is closed."),
    ],
)
def test_no_step_is_invented_where_none_is_left(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    output = run("weigh", path).output
    assert said in section(output, "Next step")
    assert "expected in all" not in output
    assert ("decibans" in output) == (" dB" in output)


@pytest.mark.parametrize(
    "command",
    [
        ["case", "list"], ["case", "show", "c-0001"], ["case", "write", "c-0001"], ["case", "check", "c-0001"],
        ["case", "export", "c-0001", "case.zip"], ["handover", "c-0001"],
        ["snapshot", "--interface", "virtual", "--channel", "nobody", "--case", "c-0001"],
        ["erase", "--interface", "virtual", "--channel", "nobody", "--case", "c-0001", "--word", "ERASE"],
    ],
)  # fmt: skip
def test_reading_a_casebook_that_is_not_there_makes_none(command: list[str], tmp_path: Path) -> None:
    typo = tmp_path / "typo.db"
    result = run(*command, "--casebook", typo)
    assert result.exit_code == CANNOT_BE_DONE
    assert f"There is no casebook at {typo}" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_output_that_nobody_reads_any_more_ends_without_a_word(case_file: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with open(writer, "wb") as nobody:
        done = subprocess.run(
            [sys.executable, "-c", "from firstcause.cli.main import main; main()", "weigh", str(case_file)],
            stdout=nobody, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.stderr == ""


def test_one_lost_recording_does_not_hold_up_the_papers(case_file: Path, tmp_path: Path) -> None:
    book = tmp_path / "book.db"
    run("case", "take", case_file, "--casebook", book)
    with CaseStore(book, clock=lambda: datetime.now(UTC)) as store:
        log = store.attach("c-0001", b"time,speed,rpm\n0,0,700\n1,0,700\n", "drive.csv", "text/csv").body
        assert isinstance(log, Attached)
        store.append("c-0001", Drove(minutes={"idle": 1}, log_sha256=log.sha256), "test")
        (lost,) = (path for path in store.blobs.folder.rglob("*") if path.is_file())
    lost.unlink()
    result = run("handover", "c-0001", "--casebook", book, "--json")
    assert result.exit_code == 0, result.output
    assert f"The picture of one drive is left out. The attachment {log.sha256[:12]}" in result.stderr
    assert json.loads(result.stdout)


def test_several_drivers_in_one_log_are_pointed_out_once_they_are_not_split(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    rows = [f"{t},{t % 9},800,{driver}" for driver in (7, 8) for t in range(100 * driver, 100 * driver + 60)]
    log.write_text("\n".join(["time,speed,rpm,driverID", *rows]) + "\n", encoding="utf-8")
    assert "use --split-by driverID" in run("prove", log).output
    assert "use --split-by" not in run("prove", log, "--split-by", "driverID").output
    one = tmp_path / "one.csv"
    one.write_text("\n".join(["time,speed,rpm,driverID", *rows[:60]]) + "\n", encoding="utf-8")
    assert "use --split-by" not in run("prove", one).output


def test_a_snapshot_for_a_case_that_is_not_there_is_refused_before_the_car_is_asked(
    case_file: Path, tmp_path: Path
) -> None:
    book = tmp_path / "book.db"
    run("case", "take", case_file, "--casebook", book)
    result = run("snapshot", "--interface", "virtual", "--channel", "nobody", "--casebook", book, "--case", "c-0009")
    assert result.exit_code == FILE_IS_BAD
    assert "There is no case 'c-0009'" in result.stderr


def test_the_model_of_a_case_is_exported_with_case_pack_and_evidence_at_its_head(
    case_file: Path, tmp_path: Path
) -> None:
    out = tmp_path / "case.bif"
    result = run("export-model", case_file, "--format", "bif", "--out", out)
    assert result.exit_code == 0, result.output
    written, pack = out.read_text(encoding="utf-8"), load()
    head = written.split("network firstcause")[0].splitlines()
    assert head[0] == "// case.toml: Calder Arvo CV20E, 6 events that count."
    assert f"pack misfire, version {pack.version}" in head[1]
    seen = [line for line in head if line.startswith("// seen_")]
    assert len(seen) == len([line for line in written.splitlines() if line.startswith("variable seen_")])
    assert f"{len(seen)} findings" in " ".join(result.output.split())
    assert f"// coil-dead@coil-3: {pack.faults['coil-dead'].name}, coil from cylinder 3" in written
    assert "// e6/cylinder 3: Misfires counted, 3 min idle: cylinder 3: 230, others none." in written
    assert run("export-model", case_file).stdout == written
    book = tmp_path / "book.db"
    run("case", "take", case_file, "--casebook", book)
    from_book = run("export-model", "c-0001", "--casebook", book).stdout
    assert from_book.splitlines()[0].startswith("// c-0001: ")
    assert from_book.splitlines()[1:] == written.splitlines()[1:]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["no-such.toml"], CANNOT_BE_DONE, "No such file"),
        (["c-0001", "--casebook", "no-such.db"], CANNOT_BE_DONE, "There is no casebook"),
        (["no-such.toml", "--format", "xml"], 2, "bif"),
    ],
)
def test_a_model_that_cannot_be_exported_is_one_sentence(arguments: list[str], code: int, said: str) -> None:
    result = run("export-model", *arguments)
    assert result.exit_code == code
    assert said in result.stderr
    assert "Traceback" not in result.output


def test_the_way_of_a_suspect_adds_up(case_file: Path) -> None:
    told = json.loads(run("weigh", case_file, "--json").output)
    assert told["suspects"]
    for suspect in [*told["suspects"], *told["victims"]]:
        way = suspect["start_decibans"] + sum(piece["decibans"] for piece in suspect["evidence"])
        assert way == pytest.approx(suspect["now_decibans"], abs=1e-6)
        odds = 10.0 ** (suspect["now_decibans"] / 10.0)
        assert suspect["probability"] == pytest.approx(odds / (1.0 + odds), abs=1e-6)
    assert [mind["cause"] for mind in told["change_of_mind"]] == [s["cause"] for s in told["suspects"][:2]]


def test_what_would_change_the_mind_is_said_short(case_file: Path) -> None:
    output = run("weigh", case_file).output
    mind = section(output, "What would change my mind")
    whole = json.loads(run("weigh", case_file, "--json").output)
    assert "If it is not this one, then:" in mind
    assert "chance " in mind
    falls = whole["change_of_mind"][0]["falls"]
    assert f"and {len(falls) - 3} more" in mind or len(falls) <= 3
    assert not re.search(r"(?<![\d.,])(100|0) in 100", output)


def test_why_not_another_one(case_file: Path) -> None:
    output = run("weigh", case_file, "--why-not", "plug-worn@3").output
    assert "Why not plug electrodes worn, gap grown (plug-3)?" in output
    assert "so frequent is it in such a car" in output
    told = json.loads(run("weigh", case_file, "--why-not", "plug-worn@cylinder 3", "--json").output)
    assert told["cause"] == "plug-worn@plug-3"
    assert told["would_take"][-1]["probability_then"] > told["probability"]
    healthy = run("weigh", case_file, "--why-not", "coil-dead@2").output
    assert "It cannot make this complaint where it was seen." in healthy
    unknown = run("weigh", case_file, "--why-not", "gremlin@1")
    assert unknown.exit_code == 3
    assert "no fault of that name" in unknown.stderr


def test_something_else_has_its_price_over_the_best(case_file: Path) -> None:
    told = json.loads(run("weigh", case_file, "--what-if", "leak-down at cylinder 1", "--json").output)
    best = told["next_steps"][0]["expected_cost"]
    assert told["what_if"]["more_than_best"] == pytest.approx(told["what_if"]["expected_cost"] - best)
    said = section(run("weigh", case_file, "--what-if", "leak-down at cylinder 1").output, "Something else")
    assert "more than the best step" in said
    refused = run("weigh", case_file, "--what-if", "gremlin at cylinder 1")
    assert refused.exit_code == 3
    assert "There is no step" in refused.stderr


def test_thinking_for_a_moment_says_how_far_it_came_and_what_could_still_be_saved(case_file: Path) -> None:
    told = json.loads(run("weigh", case_file, "--think", "0", "--json").output)["thought"]
    assert told["swept"] < told["to_sweep"]
    assert told["could_save_at_most"] >= 0.0
    said = section(run("weigh", case_file, "--think", "0.5").output, "Thought further")
    assert "Thinking longer could still save at most" in " ".join(said.split())


def test_the_tools_of_the_shop_come_from_a_file(case_file: Path, tmp_path: Path) -> None:
    tools = tmp_path / "tools.txt"
    tools.write_text("# what hangs on our wall\n\nlamp\ncode reader\n", encoding="utf-8")
    told = json.loads(run("weigh", case_file, "--tools", tools, "--json").output)
    assert {tool for step in told["next_steps"] for tool in step["tools"]} <= {"lamp", "code reader"}
    assert {f["why"] for f in told["forgone"]} == {"no-tool"}
    assert all(f["rise"] >= 0.0 for f in told["forgone"])
