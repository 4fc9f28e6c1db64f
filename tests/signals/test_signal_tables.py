"""Every table row both ways, odd values, and answers that are broken, strange or about something else."""

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firstcause.errors import CarError, RequestError
from firstcause.signals import (
    PARAMETERS,
    AnswerTooLong,
    AnswerTooShort,
    CurrentData,
    InUseCounters,
    MonitorResult,
    NotACode,
    OutOfRange,
    Readiness,
    Refused,
    TroubleCode,
    WrongEcho,
    code_from_bytes,
    decode_answer,
    decode_bitmap,
    encode_bitmap,
    encode_codes,
    encode_current,
    encode_info,
    encode_tests,
    misfire_counts,
    misfire_results,
    parameter,
    parameter_of,
    request_current,
    request_freeze,
    request_info,
    request_tests,
)
from firstcause.signals.fields import Number
from firstcause.signals.monitors import UNIT_SCALES

NUMBERS = [field for row in PARAMETERS.values() for field in row.fields if isinstance(field, Number)]


def b(text: str) -> bytes:
    return bytes.fromhex(text)


# ---- parameters ---------------------------------------------------------------------------------------------------


def test_the_table_is_about_as_wide_as_promised_and_its_names_are_unique():
    """Ours: at least 60 parameters, and no two values share a name."""
    names = [field.name for row in PARAMETERS.values() for field in row.fields]

    assert len(PARAMETERS) >= 60
    assert len(names) == len(set(names))


PRINTED_RANGES = [
    # SAE J1979-DA minimum and maximum (from memory; rows 04-11 and 14 also in a stored Wikipedia copy).
    (0x04, 0, 100, "%"),
    (0x05, -40, 215, "°C"),
    (0x06, -100, 99.22, "%"),
    (0x0A, 0, 765, "kPa"),
    (0x0B, 0, 255, "kPa"),
    (0x0C, 0, 16383.75, "rpm"),
    (0x0D, 0, 255, "km/h"),
    (0x0E, -64, 63.5, "°"),
    (0x10, 0, 655.35, "g/s"),
    (0x14, 0, 1.275, "V"),
    (0x22, 0, 5177.27, "kPa"),
    (0x23, 0, 655350, "kPa"),
    (0x24, 0, 2, ""),
    (0x32, -8192, 8191.75, "Pa"),
    (0x34, 0, 2, ""),
    (0x3C, -40, 6513.5, "°C"),
    (0x42, 0, 65.535, "V"),
    (0x43, 0, 25700, "%"),
    (0x5C, -40, 215, "°C"),
    (0x5D, -210, 301.992, "°"),
    (0x5E, 0, 3276.75, "L/h"),
    (0x61, -125, 130, "%"),
    (0x63, 0, 65535, "N·m"),
    (0xA6, 0, 429496729.5, "km"),
]
HALF_LAST_DIGIT = 0.005 + 1e-9  # 5177.265 lies exactly on the edge and is printed 5177.27


@pytest.mark.parametrize(("pid", "low", "high", "unit"), PRINTED_RANGES)
def test_ranges_are_the_printed_ones(pid, low, high, unit):
    """Least and greatest value of a parameter, as the standard prints them (two decimals at most)."""
    field = parameter(pid).fields[0]

    assert field.unit == unit
    assert field.low == pytest.approx(low, abs=HALF_LAST_DIGIT)
    assert field.high == pytest.approx(high, abs=HALF_LAST_DIGIT)


@pytest.mark.parametrize("field", NUMBERS, ids=lambda field: field.name)
@settings(max_examples=25)
@given(data=st.data())
def test_a_number_survives_bytes_to_value_to_bytes(field, data):
    """Property: every raw value decodes to a value that encodes to the same raw value, exactly as the fraction says."""
    raw = data.draw(st.integers(field.raw_low, field.raw_high))
    wire = raw.to_bytes(field.size, "big", signed=field.signed)

    value, note = field.decode(wire)

    assert note == ""
    assert value == pytest.approx(float(Fraction(raw * field.num, field.den) + field.offset), rel=1e-12, abs=1e-12)
    assert field.encode(value) == wire


@pytest.mark.parametrize("row", PARAMETERS.values(), ids=lambda row: f"{row.pid:02X}")
@settings(max_examples=25)
@given(data=st.data())
def test_a_whole_parameter_survives_the_round_trip(row, data):
    """Property: what decodes without a remark encodes back to values that decode the same."""
    wire = data.draw(st.binary(min_size=row.size, max_size=row.size))

    readings = row.decode(wire)

    assert b"".join(reading.raw for reading in readings) == wire
    if all(reading.value is not None for reading in readings):
        again = row.decode(row.encode(*(reading.value for reading in readings)))
        assert [reading.value for reading in again] == [reading.value for reading in readings]


@pytest.mark.parametrize("value", [16384.0, -1.0, math.nan, math.inf, None, "fast"])
def test_a_value_that_does_not_fit_its_bytes_is_refused_in_words(value):
    """Ours: nothing is clipped silently."""
    with pytest.raises(OutOfRange, match=r"engine_rpm cannot be .* from 0 to 16383\.8 rpm") as caught:
        parameter_of("engine_rpm").encode(value)

    assert isinstance(caught.value, RequestError)
    assert caught.value.name == "engine_rpm"


def test_not_used_not_defined_and_not_supported_are_three_things():
    """FF in the trim byte of PIDs 14-1B means "not used" (SAE J1979, from memory); it is no trim of +99.2 %."""
    volts, trim = parameter(0x15).decode(b("5D FF"))
    undefined = parameter(0x51).decode(b("7E"))[0]
    answer = decode_answer(request_current(0x05, 0x0C), b("41 05 7B"))

    assert (volts.value, trim.value, trim.note) == (0.465, None, "not used by this sensor")
    assert parameter(0x15).encode(0.465, None) == b("5D FF")
    assert (undefined.value, undefined.note) == (None, "the value 7E is not defined")
    assert answer.not_supported == (0x0C,)
    assert answer.reading("engine_rpm") is None


def test_several_parameters_in_one_answer():
    """One message, three parameters of different length (layout of SAE J1979 $01, from memory)."""
    answer = decode_answer(request_current(0x05, 0x0C, 0x15), b("41 05 7B 0C 1A F8 15 5D 80"))

    assert {r.name: r.value for r in answer.readings} == {
        "coolant_c": 83.0,
        "engine_rpm": 1726.0,
        "o2_b1s2_v": 0.465,
        "o2_b1s2_trim_pct": 0.0,
    }


def test_a_parameter_outside_the_table_stays_raw():
    """Ours: unknown is kept and named, never guessed."""
    answer = decode_answer(request_current(0x9D), b("41 9D 01 02 03 04"))

    assert answer == CurrentData((), (), ((0x9D, b("01 02 03 04")),))


@pytest.mark.parametrize("pids", [(), (0x00, 0x0C), (0x0C, 0x0C), (0x9D, 0x0C), tuple(range(4, 11))])
def test_requests_that_could_not_be_read_back_are_refused(pids):
    """Ours, and at most six parameters a request (SAE J1979, from memory)."""
    with pytest.raises(RequestError, match="Nothing was sent"):
        request_current(*pids)


# ---- bitmaps, readiness, codes ------------------------------------------------------------------------------------


@given(st.integers(0, 7), st.binary(min_size=4, max_size=4))
def test_bitmaps_survive_the_round_trip(block, wire):
    """Property, every base and every pattern; the last bit stands for the next bitmap."""
    base = 0x20 * block

    assert encode_bitmap(base, decode_bitmap(base, wire)) == wire


def test_a_bitmap_says_that_the_next_one_exists():
    """SAE J1979: the last bit of each bitmap is the next bitmap's identifier (from memory)."""
    assert encode_bitmap(0x00, {0x0C, 0x5C}) == b("00 10 00 01")
    assert encode_bitmap(0x20, {0x0C, 0x5C}) == b("00 00 00 01")
    assert encode_bitmap(0x40, {0x0C, 0x5C}) == b("00 00 00 10")


@given(st.binary(min_size=4, max_size=4), st.sampled_from(["since-erase", "this-cycle"]))
def test_readiness_survives_the_round_trip(wire, scope):
    """Property: to bytes and back changes nothing, for spark and compression engines."""
    readiness = Readiness.from_bytes(wire, scope)

    assert Readiness.from_bytes(readiness.to_bytes(), scope) == readiness


def test_readiness_of_a_compression_engine():
    """Bit B3 set: the C and D bits carry the compression names (SAE J1979 PID 01, from memory)."""
    readiness = Readiness.from_bytes(b("00 0F EB 48"))

    assert readiness.engine == "compression"
    assert [m.name for m in readiness.monitors if m.supported] == [
        "misfire",
        "fuel-system",
        "comprehensive",
        "nmhc-catalyst",
        "nox-aftertreatment",
        "boost-pressure",
        "exhaust-gas-sensor",
        "particulate-filter",
        "egr-or-vvt",
    ]
    assert readiness.incomplete == ("boost-pressure", "particulate-filter")


@given(st.integers(1, 0xFFFF))
def test_every_code_survives_the_round_trip(number):
    """Property over all 65,535 codes."""
    wire = number.to_bytes(2, "big")

    assert code_from_bytes(wire).to_bytes() == wire


@pytest.mark.parametrize("text", ["P0000", "p0303", "P4303", "X0303", "P030", "P030G", "P03033", ""])
def test_what_is_no_code_is_refused(text):
    """P0000 stands for "no code" on the wire, so it cannot be a code."""
    assert code_from_bytes(b"\0\0") is None
    with pytest.raises(NotACode, match="no trouble code"):
        TroubleCode(text)


@pytest.mark.parametrize(
    ("text", "cylinder", "coil", "bank", "meaning"),
    [
        ("P0303", 3, None, None, "misfire, cylinder 3"),
        ("P0312", 12, None, None, "misfire, cylinder 12"),
        ("P0204", 4, None, None, "injector circuit, cylinder 4"),
        ("P0270", 4, None, None, "injector circuit low, cylinder 4"),
        ("P0271", 4, None, None, "injector circuit high, cylinder 4"),
        ("P0354", None, 4, None, "ignition coil D primary or secondary circuit"),
        ("P2309", None, 4, None, "ignition coil D primary control low"),
        ("P2310", None, 4, None, "ignition coil D primary control high"),
        ("P0174", None, None, 2, "mixture too lean, bank 2"),
        ("P0141", None, None, 1, "oxygen sensor heater circuit, bank 1 sensor 2"),
        ("P219A", None, None, 1, "air-fuel imbalance between cylinders, bank 1"),
        ("P1234", None, None, None, None),
    ],
)
def test_what_codes_name(text, cylinder, coil, bank, meaning):
    """SAE J2012 blocks, from memory: P0200+n, P0261+3(n-1), P0300+n, P0350+n, P2300+3(n-1), in decimal digits."""
    code = TroubleCode(text)

    assert (code.cylinder, code.coil, code.bank, code.meaning) == (cylinder, coil, bank, meaning)


def test_who_defines_a_code_and_what_counts_as_misfire():
    """SAE J2012, from memory."""
    standard = ["P0303", "P2188", "P3401", "U0100"]
    maker = ["P1234", "P3301", "B1234", "U1100"]

    assert [TroubleCode(t).is_standard for t in standard + maker] == [True] * 4 + [False] * 4
    assert [TroubleCode(t).is_misfire for t in ("P0300", "P0312", "P0314", "P0316", "P0315", "P0351")] == [
        *(True,) * 4,
        *(False,) * 2,
    ]
    assert TroubleCode("P0303").area == "ignition or misfire"
    assert TroubleCode("P2188").area is None


# ---- service 06 and 09 --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scale", "raw", "value", "unit"),
    [
        (0x24, 0x0005, 5, "counts"),
        (0x16, 0x01F4, 10.0, "°C"),  # 500 * 0.1 - 40
        (0x96, 0xFFF6, -1.0, "°C"),  # signed, no offset
        (0xFE, 0x8000, -8192.0, "Pa"),
        (0x8A, 0xFFFF, -0.000122, "V"),
        (0x0A, 0x2000, 0.999424, "V"),
        (0x30, 0xFFFF, 100.00641, "%"),
        (0x7F, 0xFFFF, 65535, "raw"),  # unknown, unsigned below 80
        (0x85, 0xFFFF, -1, "raw"),  # unknown, signed from 80 up
    ],
)
def test_unit_and_scaling(scale, raw, value, unit):
    """SAE J1979-DA unit-and-scaling table, from memory; values computed by hand."""
    result = MonitorResult(0x01, 0x80, scale, raw, 0, 0xFFFF)

    assert result.value == pytest.approx(value, abs=1e-9)
    assert result.unit == unit
    assert bool(result.note) == (scale not in UNIT_SCALES)


def test_signed_limits_are_compared_as_signed_numbers():
    """-1 lies between -2 and 1, although FFFF is the greatest unsigned number (rule of SAE J1979, from memory)."""
    inside = MonitorResult(0x3D, 0x80, 0xFE, 0xFFFF, 0xFFFE, 0x0001)
    outside = MonitorResult(0x3D, 0x80, 0x24, 0xFFFF, 0x0000, 0x0001)

    assert inside.within_limits
    assert not outside.within_limits
    assert not inside.limits_say_nothing


def test_misfire_counts_come_by_cylinder_and_other_monitors_do_not_count():
    """Cylinder = monitor - A1 (SAE J1979-DA, from memory); A1 itself is general data."""
    general = MonitorResult(0xA1, 0x0C, 0x24, 99, 0, 0xFFFF)
    other_unit = MonitorResult(0xA5, 0x0C, 0x01, 7, 0, 0xFFFF)
    results = [general, other_unit, *misfire_results(12, last_cycle=40, ten_cycle_average=9)]

    (count,) = misfire_counts(results)

    assert (count.cylinder, count.last_cycle, count.ten_cycle_average) == (12, 40, 9)


@given(
    st.integers(1, 12),
    st.lists(st.tuples(*[st.integers(0, 255)] * 2, *[st.integers(0, 0xFFFF)] * 3), min_size=1, max_size=30),
)
def test_results_survive_the_round_trip(cylinder, rows):
    """Property: any numbers, known to our table or not."""
    monitor = 0xA1 + cylinder
    results = tuple(MonitorResult(monitor, *row) for row in rows)

    assert decode_answer(request_tests(monitor), encode_tests(results)).results == results


@pytest.mark.parametrize("info_type", [0x08, 0x0B])
@given(numbers=st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=30))
def test_counters_survive_the_round_trip(info_type, numbers):
    """Property: also when a newer car sends more counters than we can name."""
    message = bytes((0x49, info_type, len(numbers))) + b"".join(n.to_bytes(2, "big") for n in numbers)

    counters = decode_answer(request_info(info_type), message).value

    assert isinstance(counters, InUseCounters)
    assert encode_info(info_type, counters) == message


def test_twenty_counters_and_their_ratios():
    """The 20-item form of info type 08; ratio = completions / conditions, at most 7.99527 (both from memory)."""
    numbers = [100, 300, 50, 100, 0, 0, 9, 1] + [0] * 8 + [3, 4, 0, 7]
    message = b("49 08 14") + b"".join(n.to_bytes(2, "big") for n in numbers)
    monitors = {m.group: m.ratio for m in decode_answer(request_info(8), message).value.monitors}

    assert monitors["catalyst-b1"] == 0.5
    assert monitors["catalyst-b2"] is None
    assert monitors["oxygen-sensor-b1"] == 7.99527
    assert monitors["second-oxygen-sensor-b1"] == 0.75
    assert monitors["second-oxygen-sensor-b2"] == 0


def test_calibration_ids_checksums_and_a_unit_that_was_never_programmed():
    """Lengths 16 and 4 an item (SAE J1979, from memory)."""
    ids = encode_info(0x04, ("DEMO-CAL-0001", "DEMO-CAL-0002"))
    sums = encode_info(0x06, ("1791BC82", "0000A1FF"))

    assert len(ids) == 3 + 32
    assert decode_answer(request_info(4), ids).value == ("DEMO-CAL-0001", "DEMO-CAL-0002")
    assert decode_answer(request_info(6), sums).value == ("1791BC82", "0000A1FF")
    blank = decode_answer(request_info(2), b("49 02 01") + b"\xff" * 17)
    assert (blank.value, blank.raw) == (None, b"\xff" * 17)
    assert "not have been programmed" in blank.note


def test_an_info_type_outside_the_table_stays_raw():
    """Ours: kept and said."""
    info = decode_answer(request_info(0x0D), b("49 0D 01 AA BB"))

    assert (info.value, info.raw) == (None, b("AA BB"))
    assert "0D is not in our table" in info.note


# ---- answers that do not fit ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "answer", "error"),
    [
        ("01 0C", "", AnswerTooShort),
        ("01 0C", "41", AnswerTooShort),
        ("01 0C", "41 0C 1A", AnswerTooShort),
        ("01 0C", "41 0C 1A F8 00", AnswerTooLong),
        ("01 0C", "41 0C 1A F8 0C 1A F8", AnswerTooLong),
        ("01 0C", "41 05 7B", WrongEcho),
        ("01 0C", "43 00", WrongEcho),
        ("01 00", "41 00 BE 1F A8", AnswerTooShort),
        ("01 00", "41 20 BE 1F A8 13", WrongEcho),
        ("02 0C 00", "42 0C 00 1A", AnswerTooShort),
        ("02 0C 00", "42 0C 01 1A F8", CarError),
        ("03", "43", AnswerTooShort),
        ("03", "43 02 03 03", AnswerTooShort),
        ("03", "43 01 03 03 04 20", AnswerTooLong),
        ("04", "44 00", AnswerTooLong),
        ("06 A2", "46", AnswerTooShort),
        ("06 A2", "46 A2 0B 24 00 05", AnswerTooShort),
        ("06 A2", "46 A3 0B 24 00 05 00 00 FF FF", WrongEcho),
        ("09 02", "49 02", AnswerTooShort),
        ("09 02", "49 02 01 31 4A", AnswerTooShort),
        ("09 02", "49 04 01" + "41" * 16, WrongEcho),
        ("09 08", "49 08 01 00 01", CarError),
        ("03", "7F 03", AnswerTooShort),
        ("03", "7F 07 11", WrongEcho),
    ],
)
def test_a_broken_answer_is_a_typed_error_with_one_clear_sentence(request_, answer, error):
    """Ours: what happened, what was kept, what to do; the bytes stay on the error."""
    with pytest.raises(error, match="Nothing was kept from this answer") as caught:
        decode_answer(b(request_), b(answer))

    assert isinstance(caught.value, CarError)
    assert caught.value.payload.hex() in answer.replace(" ", "").lower()


@given(
    st.sampled_from([request_current(0x0C, 0x15), request_current(0, 0x20), request_freeze(0x0C), b"\x03", b"\x07"])
    | st.sampled_from([request_tests(0xA2), request_tests(0), request_info(2), request_info(4), request_info(8)]),
    st.binary(max_size=40),
    st.booleans(),
)
def test_no_bytes_at_all_can_crash_the_reader(request_, noise, plausible):
    """Property: any answer is either read or refused with a CarError; never another exception."""
    payload = bytes((request_[0] + 0x40,)) + request_[1:2] + noise if plausible else noise
    try:
        answer = decode_answer(request_, payload)
    except CarError:
        return
    assert payload[0] == (0x7F if isinstance(answer, Refused) else request_[0] + 0x40)


def test_every_cut_of_a_good_answer_is_noticed():
    """Truncation at each byte of a three-code answer and of a result answer."""
    codes = encode_codes("pending", [TroubleCode("P0303"), TroubleCode("P0420"), TroubleCode("U0100")])
    results = encode_tests(misfire_results(2, last_cycle=1, ten_cycle_average=1))

    for whole, request_ in ((codes, b"\x07"), (results[:10], request_tests(0xA3))):
        decode_answer(request_, whole)
        for cut in range(len(whole)):
            with pytest.raises(AnswerTooShort):
                decode_answer(request_, whole[:cut])


def test_refusals_name_their_reason():
    """Reason codes of ISO 14229-1, from memory."""
    assert decode_answer(b"\x03", b("7F 03 78")).is_pending
    assert decode_answer(b"\x03", b("7F 03 21")).is_busy
    assert decode_answer(b"\x0a", b("7F 0A 11")).is_not_supported
    assert Refused(3, 0x99).reason == "reason 99, not in our table"


def test_a_service_that_we_do_not_read_is_refused():
    """Ours: there is no table for it, so nothing is guessed."""
    with pytest.raises(RequestError, match="Service 22"):
        decode_answer(b("22 F1 90"), b("62 F1 90"))


def test_encoding_refuses_what_does_not_fit():
    """Ours: the writer is as strict as the reader."""
    good = Readiness.from_bytes(b("81 07 65 04"))
    with pytest.raises(OutOfRange):
        encode_current({0x41: (good,)})  # a since-erase readiness in the this-cycle parameter
    with pytest.raises(OutOfRange):
        encode_info(0x02, "TOO SHORT VIN THAT IS TOO LONG")
    with pytest.raises(OutOfRange):
        encode_info(0x06, ("XYZ",))
    with pytest.raises(OutOfRange):
        misfire_results(13, last_cycle=0, ten_cycle_average=0)
    with pytest.raises(RequestError):
        parameter(0x9D)
