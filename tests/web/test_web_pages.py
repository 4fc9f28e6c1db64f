"""The pages without a browser: forms become events, errors become sentences, nothing typed is lost."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from firstcause.casebook.events import (
    Corrected,
    Counted,
    Drove,
    Found,
    FreezeFrame,
    Linked,
    Moved,
    Noted,
    Snapshot,
    Told,
)
from firstcause.casebook.words import watched_words
from firstcause.reasoning.choice import Outlook
from firstcause.reasoning.steps import Step
from firstcause.roadtest.remembered import keep_remembered, remember
from firstcause.vehicle.place import ENGINE
from firstcause.web.forms import NotFilledIn, body_from_json, number_of
from firstcause.web.views import outcome_view

DRIVES = Path(__file__).parent.parent / "data" / "drives"


def last(shop, case_id: str):
    return shop.desk.store.events(case_id)[-1].body


def test_a_car_comes_in_with_lamp_story_and_owner(shop):
    answer = shop.post(
        "/cases",
        make="Velmora",
        model="Tessin",
        distance_km="148 000",
        shape="V6",
        firing_order="1-4-2-5-3-6",
        bank_1="1 2 3",
        bank_2="4,5,6",
        buried_1="yes",
        displacement_l="3,0",
        lamp="flashing",
        words="Shakes.",
        **{"answer-parked-long": "yes", "owner-name": "Quirina", "owner-plate": "QX 41"},
    )
    case_id = answer.headers["location"].rpartition("/")[2]
    case = shop.desk.store.case(case_id)

    assert answer.status_code == 303
    assert case.layout.banks == ((1, 2, 3), (4, 5, 6))
    assert case.layout.firing_order == (1, 4, 2, 5, 3, 6)
    assert (case.car.distance_km, case.car.engine.displacement_l, case.car.engine.buried_banks) == (148_000, 3.0, (1,))
    assert case.story.lamp == "flashing"
    assert case.story.answers == {"parked-long": "yes"}
    assert shop.desk.store.people(case_id)["owner"].plate == "QX 41"
    assert "Quirina" not in "".join(event.model_dump_json() for event in case.events)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"shape": "I4", "firing_order": "1-1-2-3"}, "firing order"),
        ({"distance_km": "a lot"}, "'a lot' is no number"),
        ({"make": ""}, "car.make: field required"),
        ({"shape": "W16"}, "no common shape is called 'W16'"),
    ],
)
def test_a_car_that_cannot_be_is_not_taken_in(shop, wrong, words):
    form = {"make": "Velmora", "model": "Tessin", "distance_km": "1000", "shape": "I4", **wrong}
    answer = shop.client.post("/cases", data=form)

    assert answer.status_code == 422
    assert words in unescape(answer.text)
    assert shop.desk.store.cases() == ()


def test_the_unit_of_a_number_goes_with_it_and_a_comma_is_a_point(shop):
    case_id = shop.take_in()
    more = {"other-1": "181", "other-2": "178", "other-4": "180"}
    shop.post(
        f"/cases/{case_id}/record",
        kind="found",
        test="compression-dry",
        place="cylinder 3",
        value="138,5",
        unit="psi",
        sure="fairly",
        **more,
    )

    assert last(shop, case_id) == Found(
        test="compression-dry",
        place="cylinder 3",
        value=138.5,
        unit="psi",
        others={"1": 181, "2": 178, "4": 180},
        sure="fairly",
    )


@pytest.mark.parametrize(
    ("fields", "kind"),
    [
        ({"kind": "counted", "minutes-idle": "2", "misfires-3": "180", "misfires-1": "0", "rpm": "720"}, "counted"),
        ({"kind": "moved", "part": "coil", "first": "3", "second": "1", "mark": "stripe"}, "moved"),
        ({"kind": "renewed", "part": "plug", "cylinder": "3"}, "renewed"),
        ({"kind": "reseated", "part": "coil", "cylinder": "3"}, "reseated"),
        ({"kind": "repaired", "repair": "renew-tube-seals", "place": "bank 1"}, "repaired"),
        ({"kind": "drove", "minutes-cruise": "18", "misfires-3": "0"}, "drove"),
        ({"kind": "told", "lamp": "on", "fuel_smell": "yes"}, "told"),
        ({"kind": "snapshot", "stored": "p0303, P0171", "rpm": "720"}, "snapshot"),
        ({"kind": "agreed", "work": "coil", "limit": "200", "by": "spoken"}, "agreed"),
        ({"kind": "set-aside", "step": "swap coil", "why": "no-time"}, "set-aside"),
        ({"kind": "noted", "words": "hm"}, "noted"),
    ],
)
def test_every_kind_of_event_has_a_form(shop, fields, kind):
    case_id = shop.take_in()

    answer = shop.client.post(f"/cases/{case_id}/record", data=fields)

    assert answer.status_code == 303, answer.text
    assert last(shop, case_id).kind == kind


def test_an_erase_needs_its_snapshot(shop):
    case_id = shop.take_in()
    assert "No evidence was saved" in shop.client.get(f"/cases/{case_id}/record?kind=erased").text
    shop.post(f"/cases/{case_id}/record", kind="snapshot", stored="P0303")
    assert 'name="saved" value="e2"' in shop.client.get(f"/cases/{case_id}/record?kind=erased").text
    assert shop.post(f"/cases/{case_id}/record", kind="erased", saved="e2").status_code == 303


def test_a_withdrawn_event_is_struck_out_and_a_correction_is_read_instead(shop):
    case_id = shop.take_in(Told(words="Shakes.", lamp="on"), Noted(words="wrong car"))
    shop.post(f"/cases/{case_id}/record", kind="withdrawn", event="e3", why="another car")
    shop.post(f"/cases/{case_id}/record", kind="told", lamp="flashing", corrects="e2", correct_why="asked again")

    body = last(shop, case_id)
    assert isinstance(body, Corrected)
    assert body.event == "e2"
    assert shop.desk.store.case(case_id).story.lamp == "flashing"
    text = shop.client.get(f"/cases/{case_id}").text
    assert "<s>Note: wrong car</s> <strong>withdrawn by e4</strong>" in text
    assert "read as corrected by e5" in text


def test_a_late_form_shows_what_is_new_and_can_be_sent_once_more(shop):
    case_id = shop.take_in()
    seen = shop.desk.store.head(case_id)
    shop.desk.record(case_id, Noted(words="The other device was quicker."), "Bo")

    answer = shop.post(f"/cases/{case_id}/record", kind="noted", words="Mine.", head=seen)

    assert answer.status_code == 409
    text = unescape(answer.text)
    assert "The other device was quicker." in text
    assert '"words":"Mine."' in text
    assert shop.desk.store.head(case_id) in text
    again = shop.post(
        f"/cases/{case_id}/record", body='{"kind":"noted","words":"Mine."}', head=shop.desk.store.head(case_id)
    )
    assert again.status_code == 303
    assert last(shop, case_id) == Noted(words="Mine.")


def test_a_story_that_cannot_be_weighed_is_still_shown_whole(shop, monkeypatch):
    import firstcause.web.desk as desk_module
    from firstcause.errors import RequestError

    def contradiction(case, knowledge, **terms):
        raise RequestError("Two findings exclude each other.")

    monkeypatch.setattr(desk_module, "weigh_case", contradiction)
    case_id = shop.take_in(Noted(words="Plug dry."))

    for page in ("", "/parts", "/closing", "/handover", "/evidence", "/roadtest", "/steps", "/cylinder/2"):
        answer = shop.client.get(f"/cases/{case_id}{page}")
        assert answer.status_code == 200, page
    text = shop.client.get(f"/cases/{case_id}").text
    assert "Two findings exclude each other." in text
    assert "Note: Plug dry." in text


def test_a_drive_is_judged_kept_and_drawn(shop):
    """A real recorded drive without counters; tests/data/drives/README.md says where it is from."""
    case_id = shop.misfiring()
    log = (DRIVES / "survey_day_mph_1.csv").read_bytes()

    answer = shop.client.post(f"/cases/{case_id}/drives", files={"log": ("drive.csv", log, "text/csv")})
    assert answer.status_code == 303, answer.text

    drove = last(shop, case_id)
    assert isinstance(drove, Drove)
    assert drove.misfires == {}
    assert sum(drove.minutes.values()) > 0
    assert shop.desk.store.blobs.read(drove.log_sha256) == log
    page = shop.client.get(f"/cases/{case_id}/roadtest").text
    for sentence in drove.judgement["sentences"]:
        assert sentence in unescape(page)
    picture = shop.client.get(f"/cases/{case_id}/drives/e6/time.svg")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert picture.text.startswith("<svg")


def test_several_files_are_one_drive_and_each_says_what_was_read(shop):
    """Two tables that follow each other by their clock; of the second a column was said before what it is."""
    case_id = shop.misfiring()
    keep_remembered(shop.desk._columns_file, remember({}, ["timestamp", "Drehzahl", "speed_kmh"], {"Drehzahl": "rpm"}))
    first = "timestamp,rpm,speed_kmh\n" + "".join(f"{1700000000 + t},1500,60\n" for t in range(300))
    second = "timestamp,Drehzahl,speed_kmh\n" + "".join(f"{1700000300 + t},2000,60\n" for t in range(300))
    files = [("log", ("a.csv", first.encode())), ("log", ("b.csv", second.encode()))]
    answer = shop.client.post(f"/cases/{case_id}/drives", files=files)
    assert answer.status_code == 303, answer.text
    drove = last(shop, case_id)
    reading = drove.judgement["reading"]
    assert [each["file"] for each in reading["files"]] == ["a.csv", "b.csv"]
    assert len(reading["recordings"]) == 2
    log = shop.desk.drive_log(drove)
    assert log.duration_s == pytest.approx(599)
    assert log.rpm.max() == 2000
    page = unescape(shop.client.get(f"/cases/{case_id}/roadtest").text)
    assert "b.csv: 300 of 300 rows" in page
    assert "as you said of these columns before: 'Drehzahl' is rpm" in page
    assert "What the car will do next" in page


def test_a_drive_with_counters_brings_its_counts(shop):
    rows = "".join(f"{t},{800 + (t % 7)},30,90,{t // 4}\n" for t in range(600))
    case_id = shop.misfiring()

    log = "time_s,rpm,speed_kmh,coolant_c,misfires cyl 3\n" + rows
    answer = shop.client.post(f"/cases/{case_id}/drives", files={"log": ("d.csv", log.encode())})
    assert answer.status_code == 303, answer.text

    drove = last(shop, case_id)
    assert drove.misfires == {3: 149}
    assert drove.firings == pytest.approx(599 / 60 * 803 / 2, rel=0.01)


def test_the_papers_say_the_same_head_as_the_case(shop):
    case_id = shop.misfiring()
    for paper in ("owner.html", "record.html"):
        answer = shop.client.get(f"/cases/{case_id}/papers/{paper}")
        assert answer.status_code == 200
        assert "sandbox" in answer.headers["content-security-policy"]
        assert "script-src" not in answer.headers["content-security-policy"]
    assert shop.desk.store.head(case_id)[:12] in shop.client.get(f"/cases/{case_id}/papers/record.html").text
    pdf = shop.client.get(f"/cases/{case_id}/papers/owner.pdf")
    assert pdf.content.startswith(b"%PDF-")
    assert pdf.headers["content-disposition"] == f'attachment; filename="{case_id}-owner.pdf"'


def test_each_cylinder_has_its_page_and_others_have_none(shop):
    case_id = shop.misfiring()
    assert "its own" in shop.client.get(f"/cases/{case_id}/cylinder/3").text
    answer = shop.client.get(f"/cases/{case_id}/cylinder/5")
    assert answer.status_code == 422
    assert "cylinders 1 to 4" in answer.text


def test_the_owners_data_can_be_deleted_and_the_story_stays(shop):
    form = {"make": "Velmora", "model": "Tessin", "distance_km": "1000", "shape": "I4", "owner-name": "Quirina"}
    case_id = shop.client.post("/cases", data=form).headers["location"].rpartition("/")[2]
    assert "Quirina" in shop.client.get(f"/cases/{case_id}/evidence").text

    assert shop.post(f"/cases/{case_id}/forget", person="owner").status_code == 303

    assert "Quirina" not in shop.client.get(f"/cases/{case_id}/evidence").text
    assert b"Quirina" not in b"".join(file.read_bytes() for file in shop.desk.store.path.parent.glob("casebook.db*"))
    assert len(shop.desk.store.events(case_id)) == 1


@pytest.mark.parametrize("kind", ["watch", "verify"])
@pytest.mark.parametrize(
    ("watched", "recorded"),
    [
        ((("idle", 5.0),), Counted(minutes={"idle": 5.0}, misfires={1: 0, 2: 0, 3: 0, 4: 0})),
        (
            (("idle", 3.0), ("cruise", 10.0)),
            Drove(minutes={"idle": 3.0, "cruise": 10.0}, misfires={1: 0, 2: 0, 3: 0, 4: 0}),
        ),
    ],
)
def test_a_quiet_watch_is_one_tap_that_says_what_it_claims(shop, kind, watched, recorded):
    """The tap records 0 for every cylinder over the minutes that stand on it; misfires must be typed as counts."""
    weighed = shop.desk.weighed(shop.misfiring())
    step = Step("watch", kind, "watch", "Watch the counters", ENGINE, 5.0, 10.0, watched=watched)

    quiet = outcome_view(Outlook("quiet", "no misfire", 0.6, (), 0.0), step, {}, weighed, "USD")
    misses = outcome_view(Outlook("seen", "it misfires", 0.4, (), 0.0), step, {}, weighed, "USD")

    assert body_from_json(quiet.body) == recorded
    assert quiet.name == f"No misfire in {watched_words(dict(watched), weighed.knowledge.model.complaint)}"
    assert misses.body == ""
    assert misses.form.startswith(f"?kind={recorded.kind}&minutes-idle=")


def test_who_is_writing_is_kept_on_the_device_and_in_the_event(shop):
    case_id = shop.take_in()
    answer = shop.post("/display", by="Zoë Ñandú")
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "samesite=strict" in answer.headers["set-cookie"].lower()
    shop.client.cookies.update(answer.cookies)
    shop.post(f"/cases/{case_id}/record", kind="noted", words="hm")
    assert shop.desk.store.events(case_id)[-1].by == "Zoë Ñandú"


@pytest.mark.parametrize("words", ["1e", "--3", "3 bar"])
def test_what_is_no_number_is_said(words):
    with pytest.raises(NotFilledIn, match="is no number"):
        number_of(words, "value")


def test_not_a_number_is_refused_by_the_case(shop):
    case_id = shop.take_in()
    answer = shop.post(
        f"/cases/{case_id}/record", kind="found", test="leak-down", place="cylinder 3", value="nan", unit="%"
    )
    assert answer.status_code == 422
    assert len(shop.desk.store.case(case_id).events) == 1


def test_a_lost_recording_costs_its_picture_and_not_the_hand_over(shop):
    """The file of the drive is gone from its folder: every paper is still made, and the record says what is missing."""
    case_id = shop.misfiring()
    log = (DRIVES / "survey_day_mph_1.csv").read_bytes()
    assert shop.client.post(f"/cases/{case_id}/drives", files={"log": ("drive.csv", log)}).status_code == 303
    missing = "No picture: the recording could not be read when this was printed."
    assert missing not in shop.client.get(f"/cases/{case_id}/papers/record.html").text
    for file in shop.desk.store.blobs.folder.rglob(last(shop, case_id).log_sha256):
        file.unlink()
    shop.desk._logs.clear()

    for paper in ("owner.html", "record.html", "owner.pdf", "record.pdf"):
        assert shop.client.get(f"/cases/{case_id}/papers/{paper}").status_code == 200, paper
    assert missing in shop.client.get(f"/cases/{case_id}/papers/record.html").text


def test_the_sentence_in_place_of_a_paper_can_be_read_in_its_frame(shop):
    """Content Security Policy Level 3, 6.4.2: frame-ancestors decides who may show a page; elsewhere nobody may."""
    case_id = shop.take_in()
    for address, ancestors in ((f"/cases/{case_id}/papers/none.html", "'self'"), ("/nothing-here", "'none'")):
        answer = shop.client.get(address)
        assert answer.status_code >= 400
        assert f"frame-ancestors {ancestors}" in answer.headers["content-security-policy"]


def test_what_was_typed_is_spoken_of_only_when_something_was_sent(shop):
    """An address without a page is no form: nothing was typed there."""
    typed = "What you typed is still on the page before"
    case_id = shop.take_in()

    assert typed not in shop.client.get("/nothing-here").text
    assert typed in shop.post(f"/cases/{case_id}/record", kind="found", test="leak-down", value="x").text


def test_every_snapshot_stands_on_the_evidence_page_with_its_event(shop):
    """Two read-outs, one by hand and one by wire on which nobody answered for the permanent list (None: not got)."""
    unit = {"unit": "7E8", "confirmed": ["P0303"], "pending": [], "permanent": None}
    frame = FreezeFrame(code="P0303", rpm=737.25, load_percent=24.705882)
    case_id = shop.take_in(
        Snapshot(stored=("P0301",)),
        Snapshot(source="wire", stored=("P0303",), freeze_frame=frame, record={"units": [unit]}),
    )

    text = " ".join(shop.client.get(f"/cases/{case_id}/evidence").text.split())

    assert "<h3>e2, " in text
    assert "<h3>e3, " in text
    assert "<code>P0301</code>" in text
    assert "<dt>Pending</dt><dd>none</dd>" in text
    assert "<dt>Permanent</dt><dd>not read</dd>" in text
    assert "<dt>Permanent</dt><dd>none or not read</dd>" in text
    assert "737 rpm" in text
    assert "25 %" in text
    assert "737.25" not in text


def test_a_danger_is_shown_open(shop, knowledge):
    """Whoever is about to move or renew a part sees the dangers without a tap; so does who reads the first decision."""
    case_id = shop.misfiring()
    rule = next(rule for rule in shop.desk.weighed(case_id).safety.rules if rule.cautions)
    pages = {
        f"/cases/{case_id}/record?kind=moved": ["rail-pressure", "high-voltage"],
        f"/cases/{case_id}": list(rule.cautions),
    }

    for address, names in pages.items():
        folded_away = re.sub(r"<details.*?</details>", "", unescape(shop.client.get(address).text), flags=re.DOTALL)
        dangers = [name for name in names if knowledge.cautions[name].level == "danger"]
        assert dangers or address.endswith(case_id)
        for name in dangers:
            assert knowledge.cautions[name].text in folded_away, (address, name)


def test_the_close_page_names_parts_in_words(shop):
    """A serial such as coil-3 is for programs."""
    case_id = shop.misfiring()
    shop.desk.record(case_id, Moved(part="coil", first=3, second=1), "Ada")

    text = shop.client.get(f"/cases/{case_id}/closing").text

    assert "ignition coil that came in cylinder 3 sits at cylinder 1" in text
    assert re.search(r"\b(coil|plug|injector)-\d", text) is None


def test_a_cause_that_is_not_there_cannot_be_argued_about(shop):
    case_id = shop.misfiring()
    refused = shop.client.get(f"/cases/{case_id}/suspect", params={"cause": "gremlin@engine"})
    assert refused.status_code == 422
    assert "is no cause in this case as it stands now" in refused.text
    assert "Why not …?" in shop.client.get(f"/cases/{case_id}/suspect").text


def test_no_page_calls_anything_certain(shop):
    """No share is printed as 0 or 100 per cent, however strong the findings (issue: never certain)."""
    case_id = shop.misfiring()
    for found in (
        Found(test="leak-down", place="cylinder 3", outcome="leaks"),
        Found(test="leak-path", place="cylinder 3", outcome="tailpipe"),
        Found(test="borescope", place="cylinder 3", outcome="valve-edge-bitten"),
    ):
        outcomes = [outcome.id for outcome in shop.desk.knowledge_of(case_id).tests[found.test].outcomes]
        assert found.outcome in outcomes, outcomes
        shop.desk.record(case_id, found, "Ada")
    leading = shop.desk.weighed(case_id).weighing.roots[0]
    assert leading.probability > 0.97
    shown = []
    pages = ["", "/steps", "/suspect?cause=exhaust-valve-burnt@cylinder 3", "/suspect?cause=coil-dead@coil-3"]
    pages += ["/closing", "/cylinder/3"]
    for page in pages:
        text = re.sub(
            r"<style.*?</style>|At most 10 %|width=\"[^\"]*\"", "", shop.client.get(f"/cases/{case_id}{page}").text
        )
        assert not re.search(r"(?<![\d.,])(?:100|0) (?:%|in 100)", text), page
        shown.append(text)
    assert "over 99 %" in "".join(shown)
    assert "under 1 %" in "".join(shown)
    argued = shop.client.get(f"/cases/{case_id}{pages[2]}").text
    assert "strong suspicion, not proof" in argued
    assert "strong suspicion, not proof" not in shop.client.get(f"/cases/{case_id}{pages[3]}").text.split("<h2")[0]


def test_a_car_that_came_back_leads_to_its_other_case(shop):
    first = shop.take_in()
    second = shop.take_in(Linked(relation="earlier", case=first, complaint="back", driven_km=5_000))

    page = shop.client.get(f"/cases/{second}").text

    assert "The car was here before" in page
    assert f'<a class="second" href="/cases/{first}">' in page
    assert shop.client.get(f"/cases/{first}").status_code == 200
