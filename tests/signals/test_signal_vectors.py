"""The published and hand-worked byte examples V1–V17 through `signals`.

Numbers V1–V17 are those of the project's reference notes (regulation-and-protocol, 2.10). Their marks are repeated at
each test: *published*, *from memory*, or *computed* (worked by hand from the stated rule, so it checks our reading).
"""

import pytest

from firstcause.signals import (
    Codes,
    CurrentData,
    FreezeFrame,
    InUseCounters,
    MonitorResults,
    Refused,
    SupportedIds,
    TroubleCode,
    VehicleInfo,
    code_from_bytes,
    decode_answer,
    encode_bitmap,
    encode_codes,
    encode_current,
    encode_freeze,
    encode_info,
    encode_supported,
    encode_tests,
    misfire_counts,
    misfire_results,
    request_codes,
    request_current,
    request_freeze,
    request_info,
    request_tests,
)

V1_IDS = {0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20}


def b(text: str) -> bytes:
    return bytes.fromhex(text)


def test_v1_v2_v3_supported_parameters():
    """V1 published (Wikipedia, "OBD-II PIDs", the BE 1F A8 13 example; bytes from memory, decoding computed)."""
    request = request_current(0x00)

    assert request == b("01 00")  # V2, from memory
    assert decode_answer(request, b("41 00 BE 1F A8 13")) == SupportedIds(0x01, frozenset(V1_IDS))  # V3, computed
    assert encode_bitmap(0x00, V1_IDS) == b("BE 1F A8 13")
    assert encode_supported(request, V1_IDS) == b("41 00 BE 1F A8 13")


@pytest.mark.parametrize(
    ("pid", "answer", "name", "value"),
    [
        (0x0C, "41 0C 1A F8", "engine_rpm", 1726.0),  # V4, computed: 6904 / 4
        (0x05, "41 05 7B", "coolant_c", 83.0),  # V5, computed
        (0x06, "41 06 80", "short_trim_b1_pct", 0.0),  # V6, computed
        (0x06, "41 06 00", "short_trim_b1_pct", -100.0),  # V6
        (0x06, "41 06 FF", "short_trim_b1_pct", 99.21875),  # V6
    ],
)
def test_v4_v5_v6_single_parameters_both_ways(pid, answer, name, value):
    """V4–V6, computed from the formulas of SAE J1979 (rows read in a stored copy of Wikipedia, "OBD-II PIDs")."""
    data = decode_answer(request_current(pid), b(answer))

    assert isinstance(data, CurrentData)
    assert data.reading(name).value == value
    assert encode_current({pid: (value,)}) == b(answer)


def test_v7_readiness_of_a_spark_engine():
    """V7, computed from the bit table of SAE J1979 PID 01."""
    data = decode_answer(request_current(0x01), b("41 01 81 07 65 04"))
    readiness = data.reading("readiness").value

    assert readiness.lamp_on
    assert readiness.code_count == 1
    assert readiness.engine == "spark"
    assert readiness.incomplete == ("evap",)
    assert [m.name for m in readiness.monitors if m.supported] == [
        "misfire",
        "fuel-system",
        "comprehensive",
        "catalyst",
        "evap",
        "oxygen-sensor",
        "oxygen-sensor-heater",
    ]
    assert readiness.monitor("secondary-air").complete is None
    assert encode_current({0x01: (readiness,)}) == b("41 01 81 07 65 04")


def test_v8_v9_confirmed_codes():
    """V8 and V9, computed: on CAN a count byte precedes the codes, also when it is 0."""
    codes = (TroubleCode("P0303"), TroubleCode("P0420"))

    assert decode_answer(b("03"), b("43 02 03 03 04 20")) == Codes("confirmed", codes)
    assert decode_answer(b("03"), b("43 00")) == Codes("confirmed", ())
    assert encode_codes("confirmed", codes) == b("43 02 03 03 04 20")


@pytest.mark.parametrize(("raw", "text"), [("C1 00", "U0100"), ("41 23", "C0123"), ("21 88", "P2188")])
def test_v10_codes_of_every_letter(raw, text):
    """V10, computed from SAE J2012: two bits of letter, two bits of digit, three hex digits."""
    assert code_from_bytes(b(raw)) == TroubleCode(text)
    assert TroubleCode(text).to_bytes() == b(raw)


def test_v11_vin():
    """V11: the published VIN of NHTSA's new-manufacturer guide, p. 18, in a message computed by hand."""
    message = b("49 02 01 31 4A 39 52 50 31 41 33 36 41 31 36 34 34 33 34 35")
    info = decode_answer(request_info(0x02), message)

    assert info == VehicleInfo(0x02, "1J9RP1A36A1644345", message[3:])
    assert encode_info(0x02, "1J9RP1A36A1644345") == message


def test_v13_misfire_counts_of_cylinder_1():
    """V13, computed from SAE J1979-DA, monitor A2, tests 0B and 0C, unit 24 (from memory)."""
    message = b("46 A2 0B 24 00 05 00 00 FF FF A2 0C 24 00 03 00 00 FF FF")
    answer = decode_answer(request_tests(0xA2), message)

    assert isinstance(answer, MonitorResults)
    (count,) = misfire_counts(answer.results)
    assert (count.cylinder, count.ten_cycle_average, count.last_cycle) == (1, 5, 3)
    assert all(result.limits_say_nothing and result.unit == "counts" for result in answer.results)
    assert encode_tests(misfire_results(1, last_cycle=3, ten_cycle_average=5)) == message


def test_v14_erasing_refused_is_an_answer():
    """V14, from memory: the unit says no because the conditions are not right."""
    answer = decode_answer(b("04"), b("7F 04 22"))

    assert answer == Refused(0x04, 0x22)
    assert answer.reason == "conditions not correct"
    assert answer.to_bytes() == b("7F 04 22")


def test_v15_code_that_stored_the_freeze_frame():
    """V15, computed: PID 02 of frame 0."""
    answer = decode_answer(request_freeze(0x02), b("42 02 00 03 03"))

    assert isinstance(answer, FreezeFrame)
    assert answer.reading("freeze_code").value == TroubleCode("P0303")
    assert encode_freeze({0x02: (TroubleCode("P0303"),)}) == b("42 02 00 03 03")


def test_v16_sixteen_in_use_counters():
    """V16, computed: `49 08 10` and 32 bytes, 35 in all; order of SAE J1979 info type 08 (from memory)."""
    message = b("49 08 10") + b"".join(n.to_bytes(2, "big") for n in range(1, 17))
    counters = decode_answer(request_info(0x08), message).value

    assert len(message) == 0x23
    assert isinstance(counters, InUseCounters)
    assert (counters.general_conditions, counters.ignition_cycles) == (1, 2)
    assert [(m.group, m.completions, m.conditions) for m in counters.monitors] == [
        ("catalyst-b1", 3, 4),
        ("catalyst-b2", 5, 6),
        ("oxygen-sensor-b1", 7, 8),
        ("oxygen-sensor-b2", 9, 10),
        ("egr-or-vvt", 11, 12),
        ("secondary-air", 13, 14),
        ("evap", 15, 16),
    ]
    assert encode_info(0x08, counters) == message


def test_requests_of_codes():
    """The service numbers of SAE J1979: $03 confirmed, $07 pending, $0A permanent (from memory)."""
    assert [request_codes(status) for status in ("confirmed", "pending", "permanent")] == [b"\x03", b"\x07", b"\x0a"]


def test_name_of_a_unit():
    """Four letters, a dash and fifteen, filled with zeros: SAE J1979 info type 0A (from memory); bytes by hand."""
    answer = decode_answer(request_info(0x0A), b"\x49\x0a\x01" + b"ECM\0-EngineControl\0\0")

    assert isinstance(answer, VehicleInfo)
    assert answer.value == "ECM -EngineControl"
