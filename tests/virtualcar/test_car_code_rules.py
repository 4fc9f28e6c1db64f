"""Code memory of the virtual control unit, rule by rule. Marks after the reference notes: R read, M from memory.

A test on an [M] rule checks our reading of the rule, not the regulation.
"""

from __future__ import annotations

import pytest

from firstcause.virtualcar.code_memory import CodeMemory, Conditions
from firstcause.virtualcar.in_use import CycleTally

IDLE = Conditions(720.0, 20.0, warm=True)
FRAME = {0x0C: (720.0,)}
FUEL_FRAME = {0x0C: (2100.0,)}


def cycle(
    memory: CodeMemory,
    *,
    misfire: bool = False,
    similar: bool = True,
    ran: bool = True,
    warm_up: bool = True,
    minimum_drive: bool = True,
) -> None:
    """One driving cycle, closed."""
    memory.note_conditions(IDLE if similar else Conditions(3000.0, 70.0, warm=True))
    if misfire:
        memory.detect("P0303", "misfire", IDLE, FRAME)
    if ran:
        memory.passed("misfire")
    memory.power_down()
    memory.close_cycle(warm_up=warm_up, minimum_drive=minimum_drive)


def with_lamp_on() -> CodeMemory:
    memory = CodeMemory()
    cycle(memory, misfire=True)
    cycle(memory, misfire=True)
    assert memory.lamp_commanded
    return memory


@pytest.mark.parametrize(
    ("rpm", "load_percent", "warm", "similar"),
    [
        (720 + 375, 20, True, True),
        (720 + 376, 20, True, False),
        (720, 40, True, True),
        (720, 40.5, True, False),
        (720, 20, False, False),
    ],
)
def test_similar_conditions(rpm: float, load_percent: float, warm: bool, similar: bool) -> None:
    """Within 375 rpm, within 20 percent of load (read as points), same warm-up status. 13 CCR 1968.2(c) [M]."""
    assert IDLE.similar(Conditions(rpm, load_percent, warm)) is similar


def test_first_detection_is_pending_without_lamp() -> None:
    """13 CCR 1968.2(e)(3.4) [M]; freeze frame stored with the pending code (e)(3.4.3) [M]."""
    memory = CodeMemory()
    memory.detect("P0303", "misfire", IDLE, FRAME)
    assert (memory.of("pending"), memory.of("confirmed"), memory.lamp_commanded) == (("P0303",), (), False)
    assert memory.freeze == FRAME


def test_second_detection_in_the_next_cycle_confirms_in_any_conditions() -> None:
    """(e)(3.4.2)(B) [M]."""
    memory = CodeMemory()
    cycle(memory, misfire=True)
    memory.detect("P0303", "misfire", Conditions(3000.0, 70.0, warm=True), FRAME)
    assert memory.of("confirmed") == ("P0303",)
    assert memory.lamp_commanded


def test_similar_conditions_found_later_confirm_too() -> None:
    """(e)(3.4.2)(B) [M]: two cycles without similar conditions lie between."""
    memory = CodeMemory()
    cycle(memory, misfire=True)
    cycle(memory, similar=False)
    cycle(memory, similar=False)
    assert memory.of("pending") == ("P0303",)
    memory.detect("P0303", "misfire", Conditions(3000.0, 70.0, warm=True), FRAME)
    assert memory.of("confirmed") == ()
    memory.note_conditions(IDLE)
    memory.detect("P0303", "misfire", IDLE, FRAME)
    assert memory.of("confirmed") == ("P0303",)


def test_pending_goes_after_a_quiet_cycle_in_similar_conditions() -> None:
    """(e)(3.4.1)(C) [M]."""
    memory = CodeMemory()
    cycle(memory, misfire=True)
    cycle(memory, similar=True)
    assert memory.of("pending") == ()
    assert memory.freeze is None


@pytest.mark.parametrize(("cycles", "left"), [(79, ("P0303",)), (80, ())])
def test_pending_goes_after_80_cycles_without_similar_conditions(cycles: int, left: tuple[str, ...]) -> None:
    """(e)(3.4.1)(C) [M]; the same figure for fuel in (e)(6.4.3) [R 1]."""
    memory = CodeMemory()
    cycle(memory, misfire=True)
    for _ in range(cycles):
        cycle(memory, similar=False)
    assert memory.of("pending") == left


def test_catalyst_level_confirms_at_once_on_an_emission_pending_code() -> None:
    """(e)(3.4.1)(B) [M]."""
    memory = CodeMemory()
    memory.detect("P0303", "misfire", IDLE, FRAME)
    memory.detect("P0303", "misfire", IDLE, FRAME, catalyst=True)
    assert memory.of("confirmed") == ("P0303",)


def test_first_1000_revolutions_in_any_later_cycle_confirm() -> None:
    """(e)(3.4.2)(A) [M]: "a subsequent cycle", read as any later one while pending."""
    memory = CodeMemory()
    memory.detect("P0304", "misfire", IDLE, FRAME, at_start=True)
    memory.close_cycle(warm_up=True, minimum_drive=True)
    cycle(memory, similar=False)
    memory.detect("P0304", "misfire", Conditions(1200.0, 25.0, warm=False), FRAME, at_start=True)
    assert memory.of("confirmed") == ("P0304",)


@pytest.mark.parametrize(("quiet", "lamp"), [(2, True), (3, False)])
def test_lamp_goes_off_after_three_quiet_cycles_in_similar_conditions(quiet: int, lamp: bool) -> None:
    """(e)(3.4.5) [M]; cycles elsewhere neither count nor break the row (our reading)."""
    memory = with_lamp_on()
    for _ in range(quiet):
        cycle(memory)
        cycle(memory, similar=False)
    assert memory.lamp_commanded is lamp


def test_a_cycle_in_which_the_monitor_did_not_run_does_not_heal() -> None:
    """(d)(2.3) [M]: only cycles in which the monitor ran and passed count."""
    memory = with_lamp_on()
    for _ in range(5):
        cycle(memory, ran=False)
    assert memory.lamp_commanded


@pytest.mark.parametrize(("warm_ups", "left"), [(39, ("P0303",)), (40, ())])
def test_confirmed_goes_after_40_warm_ups_with_lamp_off(warm_ups: int, left: tuple[str, ...]) -> None:
    """(d)(2.4) [M]."""
    memory = with_lamp_on()
    for _ in range(3):
        cycle(memory)
    for _ in range(10):
        cycle(memory, warm_up=False)
    for _ in range(warm_ups):
        cycle(memory)
    assert memory.of("confirmed") == left


def test_a_healed_code_needs_two_detections_again_for_the_lamp() -> None:
    """(d)(2.2) [M]: confirmed but lamp off, then seen once: pending again, lamp still off."""
    memory = with_lamp_on()
    for _ in range(3):
        cycle(memory)
    cycle(memory, misfire=True)
    assert memory.of("pending") == ("P0303",)
    assert not memory.lamp_commanded
    cycle(memory, misfire=True)
    assert memory.lamp_commanded


def test_misfire_takes_the_freeze_frame_from_other_monitors_and_keeps_it() -> None:
    """(e)(3.4.3), (e)(6.4.4) [R 1 part, M]."""
    memory = CodeMemory()
    memory.detect("P0171", "fuel", IDLE, FUEL_FRAME)
    assert memory.freeze_code == "P0171"
    memory.detect("P0303", "misfire", IDLE, FRAME)
    assert (memory.freeze_code, memory.freeze) == ("P0303", FRAME)
    memory.detect("P0174", "fuel", IDLE, FUEL_FRAME)
    assert memory.freeze_code == "P0303"


def test_permanent_is_written_at_the_end_of_the_ignition_cycle_and_goes_with_the_lamp() -> None:
    """(d)(2.2.5) [M]; erased when the system itself turns the lamp off (d)(2.5.1) [R 1]."""
    memory = CodeMemory()
    cycle(memory, misfire=True)
    memory.detect("P0303", "misfire", IDLE, FRAME)
    assert memory.of("permanent") == ()
    memory.power_down()
    assert memory.of("permanent") == ("P0303",)
    memory.close_cycle(warm_up=True, minimum_drive=True)
    for _ in range(3):
        cycle(memory)
    assert memory.of("permanent") == ()
    assert memory.of("confirmed") == ("P0303",)


def test_erasing_leaves_the_permanent_code() -> None:
    """A tool cannot erase it. (d)(2.5) [R 1 part]; inspection newsletter, spring 2019 [R 8]."""
    memory = with_lamp_on()
    memory.erase()
    assert (memory.of("confirmed"), memory.of("pending"), memory.of("permanent")) == ((), (), ("P0303",))
    assert memory.freeze is None


@pytest.mark.parametrize(
    ("ran", "minimum_drive", "left"),
    [(True, True, ()), (True, False, ("P0303",)), (False, True, ("P0303",)), (False, False, ("P0303",))],
)
def test_after_an_erase_a_passing_cycle_and_a_minimum_drive_are_both_needed(
    ran: bool, minimum_drive: bool, left: tuple[str, ...]
) -> None:
    """(d)(2.5.2)(B): scope [R 1], numbers [M]; misfire has no ratio."""
    memory = with_lamp_on()
    memory.erase()
    cycle(memory, ran=ran, minimum_drive=minimum_drive)
    assert memory.of("permanent") == left


def test_the_two_proofs_may_come_from_different_cycles() -> None:
    """(d)(2.5.2)(B)(iii) [M]."""
    memory = with_lamp_on()
    memory.erase()
    cycle(memory, ran=True, minimum_drive=False)
    cycle(memory, ran=False, minimum_drive=True)
    assert memory.of("permanent") == ()


def test_a_second_erase_starts_the_evidence_anew() -> None:
    """(d)(2.5.2)(B), point 6 of the reference [M]."""
    memory = with_lamp_on()
    memory.erase()
    cycle(memory, ran=True, minimum_drive=False)
    memory.erase()
    cycle(memory, ran=False, minimum_drive=True)
    assert memory.of("permanent") == ("P0303",)


def test_a_failing_decision_takes_the_proof_back() -> None:
    """(d)(2.5.2)(B)(ii) [M]: no "present" decision since the passing cycle."""
    memory = with_lamp_on()
    memory.erase()
    cycle(memory, ran=True, minimum_drive=False)
    cycle(memory, misfire=True, minimum_drive=False)
    cycle(memory, ran=False, minimum_drive=True)
    assert memory.of("permanent") == ("P0303",)


@pytest.mark.parametrize(
    ("run_s", "fast_s", "idle_s", "met"),
    [(600, 300, 30, True), (599, 300, 30, False), (600, 299, 30, False), (600, 300, 29, False)],
)
def test_minimum_drive(run_s: float, fast_s: float, idle_s: float, met: bool) -> None:
    """600 s since start, 300 s at 25 mph or more, 30 s of unbroken idle. (d)(2.5.2)(B) [M]."""
    tally = CycleTally()
    tally.add(idle_s, 0.0, False, 90.0, 20.0)
    tally.add(fast_s, 40.3, True, 90.0, 20.0)
    tally.add(run_s - idle_s - fast_s, 40.2, True, 90.0, 20.0)
    assert tally.minimum_drive is met


@pytest.mark.parametrize(("ambient_c", "altitude_m", "counts"), [(20, 100, True), (-7, 100, False), (20, 2500, False)])
def test_general_denominator_has_limits_of_cold_and_height(ambient_c: float, altitude_m: float, counts: bool) -> None:
    """20 F and 8000 ft. (d)(4.3.2)(B) [M]."""
    tally = CycleTally()
    tally.add(60, 0.0, False, 90.0, ambient_c, altitude_m)
    tally.add(540, 60.0, True, 90.0, ambient_c, altitude_m)
    assert tally.minimum_drive
    assert tally.general_denominator is counts


@pytest.mark.parametrize(
    ("start_c", "end_c", "counts"), [(20, 90, True), (48.9, 71.2, True), (20, 71.0, False), (70, 90, False)]
)
def test_warm_up_cycle(start_c: float, end_c: float, counts: bool) -> None:
    """A rise of 40 F (22.2 C) to at least 160 F (71.1 C). 13 CCR 1968.2(c) [M]."""
    tally = CycleTally()
    tally.add(1, 0.0, False, start_c, 20.0)
    tally.add(1, 0.0, False, end_c, 20.0)
    assert tally.warm_up is counts
