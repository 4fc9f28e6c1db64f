"""A story of the tryout played through the page: the car is virtual, every entry is tapped and typed as in the shop."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

from firstcause.casebook.events import (
    Agreed,
    Body,
    ClosingState,
    Counted,
    Erased,
    Event,
    Found,
    Moved,
    Renewed,
    Repaired,
    SetAside,
    Snapshot,
)
from firstcause.casebook.ledger import ledger_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.cli.tryout.play import PROVING_MINUTES, Player, ShopClock
from firstcause.cli.tryout.stories import Story
from firstcause.virtualcar.drive import named_drive

LONGEST_WAIT_S = 120
SCREENS = Path(__file__).parents[2] / "build" / "screens"


class ByThePage(Player):
    """Plays a story as `firstcause tryout` does, but whatever is recorded goes in through the page, by its own forms.

    The car answers by wire and by the virtual workshop; the casebook is only read, to know which step the page shows.
    """

    def __init__(self, story: Story, shop: Any, page: Any, folder: Path, size: str) -> None:
        super().__init__(
            story,
            shop.desk.store,
            ShopClock(),
            shop.desk.pack("misfire"),
            folder,
            lambda words: self.said.append(words),
        )
        self.said: list[str] = []
        self.web, self.page, self.size = shop, page, size
        self.pictures = 0
        self.refusal = ""

    # ---- what a hand does

    def show(self, screen: str) -> None:
        """Keep a picture of what is on the screen, as a build artefact."""
        folder = SCREENS / f"{self.story.name}-{self.size}"
        folder.mkdir(parents=True, exist_ok=True)
        self.pictures += 1
        self.page.wait_for_load_state("load")
        self.page.screenshot(path=str(folder / f"{self.pictures:02d}-{screen}.png"), full_page=True)

    def tab(self, words: str) -> None:
        self.page.locator("nav.tabs a", has_text=words).first.click()
        self.page.locator("nav.tabs a[aria-current]", has_text=words).wait_for()

    def something_else(self, words: str) -> None:
        """From the case: 'I did something else', and what."""
        if self.page.locator(".after-deck").count() == 0:
            self.tab("Case")
        self.page.get_by_text("I did something else").first.click()
        self.page.locator("a.kind", has_text=words).first.click()
        self.page.locator("form.box, ul.kinds").first.wait_for()

    def type(self, name: str, value: object) -> None:
        self.page.locator(f"form [name='{name}']").first.fill(f"{value:g}" if isinstance(value, float) else str(value))

    def choose(self, name: str, value: object) -> None:
        self.page.locator(f"form select[name='{name}']").first.select_option(str(value))

    def recorded(self, press: Callable[[], None]) -> Event:
        """Press, and wait until the casebook has it and the page shows the case as it stands then."""
        before = len(self.store.events(self.case_id))
        press()
        until = time.monotonic() + LONGEST_WAIT_S
        while len(self.store.events(self.case_id)) == before:
            refused = self.page.locator("form .bad")
            if time.monotonic() > until or refused.count():
                raise AssertionError(f"not recorded: {refused.all_inner_texts()} at {self.page.url}")
            self.page.wait_for_timeout(50)
        self.settled()
        return self.store.events(self.case_id)[-1]

    def settled(self) -> None:
        head = self.store.head(self.case_id)
        self.page.locator(f"body[data-head='{head}']").wait_for(state="attached", timeout=LONGEST_WAIT_S * 1000)

    def send(self, button: str) -> Event:
        return self.recorded(lambda: self.page.locator("form").get_by_role("button", name=button).first.click())

    # ---- the stations that differ

    def _arrive(self) -> None:
        page, car, told = self.page, self.story.car, self.story.told
        page.goto(self.web.base + "/")
        page.get_by_text("A car comes in").first.click()
        page.locator(
            f"input[name='lamp'][value='{'flashing' if self.car.lamp == 'blinking' else self.car.lamp}']"
        ).check()
        for name, value in (
            ("make", car.make), ("model", car.model), ("distance_km", round(self.car.odometer_km)), ("vin", car.vin),
            ("engine_code", car.engine_code), ("displacement_l", car.engine.displacement_l), ("words", told.words),
            ("owner-name", self.story.owner.name), ("owner-phone", self.story.owner.phone),
            ("owner-plate", self.story.owner.plate),
        ):  # fmt: skip
            self.type(name, value)
        self.choose("shape", car.engine.shape)
        if 1 in car.engine.buried_banks:
            page.locator("[name='buried_1']").check()
        page.locator("summary", has_text="Questions worth asking").click()
        for question, answer in told.answers.items():
            page.locator(f"[name='answer-{question}'][value='{answer}']").check()
        self.show("a-car-comes-in")
        page.get_by_role("button", name="Open the case").click()
        page.locator(".safety").wait_for(timeout=LONGEST_WAIT_S * 1000)
        self.case_id = page.url.rpartition("/")[2]
        self._record(self.story.agreed)
        self.tab("Case")
        self.show("taken-in")

    def _weighed(self) -> WeighedCase:
        found: WeighedCase = self.web.desk.weighed(self.case_id)
        return found

    def _work(self, session: Any) -> int:
        self.tab("Case")
        self.show("the-case")
        return super()._work(session)

    def _put_parts_back(self) -> None:
        self.tab("Parts")
        self.show("parts-away")
        while away := ledger_of(self._case(), self.knowledge).put_back:
            part = min(away, key=lambda part: part.now)
            self.car.stop()
            self.car.swap(part.kind, part.now[0], part.home[0])  # type: ignore[arg-type]
            self.recorded(lambda: self.page.locator("button.tap", has_text="Swapped back").first.click())
        self.page.locator(".athome").wait_for()
        self.show("parts-home")

    def _prove(self) -> Path:
        """A road test, recorded as a log and given to the page."""
        self.car.key_off()
        self.car.soak(8.0)
        record = self.car.drive(named_drive("mixed", minutes=PROVING_MINUTES))
        log_file = record.write_csv(self.folder / f"{self.story.name}-road-test.csv")
        self.tab("Road test")
        self.page.locator("input[name='log']").set_input_files(log_file)
        self.send("Judge this drive")
        self.page.locator("section.drive").first.wait_for()
        self.show("road-test")
        return log_file

    def _close(self) -> ClosingState:
        self.tab("Case")
        self.page.locator(".suspects, .empty").first.wait_for()
        self.show("before-closing")
        if any(objection.code == "open-cause" for objection in self._weighed().objections["cured"]):
            self._offer_the_cause(self._weighed())
        self.tab("Close")
        self.show("closing")
        self.page.locator("[name='state'][value='cured']").check()
        self.page.get_by_role("button", name="Close the case").click()
        self.page.locator("form .bad, .ended").first.wait_for(timeout=LONGEST_WAIT_S * 1000)
        if self.page.locator("form .bad").count():
            self.refusal = self.page.locator("form .bad").inner_text()
            self.show("cured-refused")
            self.page.locator("[name='state'][value='relieved']").check()
            self.type("words", self.story.lesson)
            self.send("Close the case")
        self.page.locator(".ended").wait_for()
        self.show("closed")
        return self._case().state  # type: ignore[return-value]

    # ---- each kind of entry, by the screen where a hand would make it

    def _record(self, body: Body) -> Event:
        return self._by_hand[type(body)](self, body)

    def _agreed(self, body: Agreed) -> Event:
        self.something_else("The owner agreed to work")
        self.type("work", body.work)
        self.choose("by", body.by)
        self.type("limit", body.limit)
        return self.send("Record it")

    def _snapshot(self, body: Snapshot) -> Event:
        self.something_else("I read the codes")
        for name in ("stored", "pending", "permanent"):
            self.type(name, " ".join(getattr(body, name)))
        if (frame := body.freeze_frame) is not None:
            for name in ("code", "rpm", "load_percent", "coolant_c", "speed_kmh"):
                if (value := getattr(frame, name)) is not None:
                    self.type(name, round(value, 1) if isinstance(value, float) else value)
        self.show("codes")
        return self.send("Save the evidence")

    def _counted(self, body: Counted) -> Event:
        self.something_else("I read the misfire counters")
        for region, minutes in body.minutes.items():
            self.type(f"minutes-{region}", float(minutes))
        for cylinder, count in body.misfires.items():
            self.type(f"misfires-{cylinder}", count)
        if body.rpm is not None:
            self.type("rpm", round(body.rpm))
        self.show("counters")
        return self.send("Record the counts")

    def _found(self, body: Found) -> Event:
        """On the card in the deck if it is there and the outcome is a word, else by its form."""
        self.tab("Case")
        key = f"{body.test} at {body.place}"
        card = self.page.locator("article.card").filter(has=self.page.locator(f"input[name='step'][value='{key}']"))
        tap = card.locator(f"button[name='body'][value*='\"outcome\":\"{body.outcome}\"']")
        if body.value is None and card.count() and tap.count():
            number = self.page.locator(".deck-nav a").nth(int(card.get_attribute("id").removeprefix("step-")) - 1)
            number.click()
            self.page.locator(f"article#{card.get_attribute('id')}:not([inert])").wait_for()
            self.show(f"step-{body.test}")
            return self.recorded(tap.click)
        self.something_else("I looked or measured")
        self.page.locator(f"a.kind[href*='test={body.test}&'], a.kind[href$='test={body.test}']").first.click()
        self.choose("place", body.place)
        if body.value is None:
            self.page.locator(f"[name='outcome'][value='{body.outcome}']").check()
        else:
            self.type("value", body.value)
            self.choose("unit", body.unit)
            for name, value in body.others.items():
                self.type(f"other-{name}", float(value))
        self.show(f"measured-{body.test}")
        return self.send("Record it")

    def _moved(self, body: Moved) -> Event:
        self.something_else("I swapped two parts")
        self.choose("part", body.part)
        self.choose("first", body.first)
        self.choose("second", body.second)
        self.type("mark", body.mark)
        return self.send("Record the swap")

    def _renewed(self, body: Renewed) -> Event:
        self.something_else("I fitted a new part")
        self.choose("part", body.part)
        self.choose("cylinder", body.cylinder)
        return self.send("Record the new part")

    def _repaired(self, body: Repaired) -> Event:
        self.something_else("I repaired something")
        self.page.locator(f"a.kind[href$='repair={body.repair}']").first.click()
        self.choose("place", body.place)
        self.show("repair")
        return self.send("Record the repair")

    def _erased(self, body: Erased) -> Event:
        self.something_else("The codes were erased")
        assert self.page.locator("input[name='saved']").input_value() == body.saved
        return self.send("They were erased")

    def _set_aside(self, body: SetAside) -> Event:
        """On the page of that step, from the list of all."""
        self.tab("Case")
        every = self.page.get_by_text("All ", exact=False).and_(self.page.locator("a.second"))
        if every.count():
            every.first.click()
        self.page.locator(f"a.step-link[href$='key={_quoted(body.step)}']").first.click()
        self.page.locator("summary", has_text="Set this step aside").first.click()
        self.choose("why", body.why)
        self.page.locator("form [name='note']").last.fill(body.note[:300])
        return self.send("Set aside")

    _by_hand: ClassVar[dict[type, Callable[[ByThePage, Any], Event]]] = {
        Agreed: _agreed, Snapshot: _snapshot, Counted: _counted, Found: _found, Moved: _moved, Renewed: _renewed,
        Repaired: _repaired, Erased: _erased, SetAside: _set_aside,
    }  # fmt: skip


def _quoted(key: str) -> str:
    return key.replace(" ", "%20")
