"""A real car's cold start, frame by frame through `signals`: all decoded, counted, plausible."""

from collections import Counter
from pathlib import Path

import can
import pytest

from firstcause.signals import CurrentData, Refused, SupportedIds, decode_answer

TRACE = Path(__file__).parents[1] / "data" / "bus_trace" / "cold_start_drive.blf"


def exchanges():
    """(request, answer) pairs; a plain reading of ISO-TP frames, written here as an outside check."""
    request, answer, due = b"", b"", 0
    for message in can.LogReader(TRACE):
        data, kind = bytes(message.data), message.data[0] >> 4
        if message.arbitration_id == 0x7E0:
            if kind == 0:
                request = data[1 : 1 + data[0]]
        elif kind == 0:
            yield request, data[1 : 1 + data[0]]
        elif kind == 1:
            due, answer = (data[0] & 0x0F) << 8 | data[1], data[2:]
        elif kind == 2:
            answer += data[1:]
            if len(answer) >= due:
                yield request, answer[:due]


@pytest.fixture(scope="module")
def answers():
    return [(request, decode_answer(request, payload)) for request, payload in exchanges()]


def test_everything_is_decoded_and_counted(answers):
    """7,651 frames each way (tests/data/bus_trace/README.md) are 7,649 exchanges: the rest carries the VIN."""
    by_service = Counter(request[0] for request, _ in answers)
    parameters = Counter(request[1] for request, _ in answers if request[0] == 1)

    assert len(answers) == 7649
    assert by_service == {0x01: 7647, 0x03: 1, 0x09: 1}
    assert len([pid for pid, times in parameters.items() if times > 1]) == 28
    assert not [answer for _, answer in answers if isinstance(answer, Refused | SupportedIds)]
    current = [answer for _, answer in answers if isinstance(answer, CurrentData)]
    assert not [answer for answer in current if answer.not_supported]
    raw = Counter((pid, len(data)) for answer in current for pid, data in answer.unknown)
    assert raw == {(0xA4, 4): 273}  # not in our table: kept raw and said so; everything else is a value
    assert all(r.value is not None for answer in current for r in answer.readings)


def test_known_values_of_the_drive(answers):
    """Coolant 21 to 98 C, a European VIN in three frames, no codes: the trace's own description."""
    values = {}
    for _, answer in answers:
        for reading in getattr(answer, "readings", ()):
            values.setdefault(reading.name, []).append(reading.value)
    (codes,) = [answer for request, answer in answers if request[0] == 0x03]
    (vin,) = [answer for request, answer in answers if request[0] == 0x09]

    assert codes.codes == ()
    assert (vin.value[:3], len(vin.value), vin.value[-6:]) == ("TMB", 17, "000000")
    assert (min(values["coolant_c"]), max(values["coolant_c"])) == (21, 98)
    assert min(values["engine_rpm"]) == 0
    assert 2000 < max(values["engine_rpm"]) < 7000
    assert 60 < max(values["speed_kmh"]) < 200
    assert all(11 < volts < 15.5 for volts in values["supply_v"])
    assert all(90 <= kpa <= 105 for kpa in values["barometric_kpa"])
    assert all(85 <= kpa <= 105 for kpa in values["vapour_absolute_kpa"])  # the engine draws on the tank
