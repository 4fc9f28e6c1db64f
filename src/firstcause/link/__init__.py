"""Talking to the car: requests out, whole answers of all its control units back; reading only, unless told.

- `addressing`: identifiers of 11 and 29 bits; `Unit` is one control unit
- `gate`: the one place where a frame leaves; only listed reading requests and the guarded erase pass
- `reassembly`: frames to whole answers (can-isotp), faults as typed events
- `session`: the one owner of the bus, time limits, which services may be sent; `find_car`
- `recording`: every frame into a trace file, safe against a crash
- `replay`: a recorded trace as a bus that answers the same
- `schedule`, `live`: live data, several parameters at once, each as often as it changes
- `traffic`: a trace told again as requests and answers, values, other forms of file
- `evidence`: `take_snapshot`, all that the car says before anything is erased
- `uds`: units that speak only the newer services: recognised, their codes read
- `erase`: erasing codes behind its guard

The seam for another kind of adapter is `Session.request`: request bytes in, (unit, answer bytes) pairs out.
"""

from firstcause.link.addressing import ELEVEN_BIT, TWENTY_NINE_BIT, Addressing, Unit
from firstcause.link.erase import EraseRefused, EraseReport, erase_codes
from firstcause.link.evidence import take_snapshot
from firstcause.link.gate import FrameNotAllowed, ServiceNotAllowed
from firstcause.link.live import record_live, supported_parameters
from firstcause.link.reassembly import Broken, Reassembler, Received
from firstcause.link.recording import Recorder
from firstcause.link.replay import ReplayBus
from firstcause.link.session import BusStopped, Exchange, NoAnswer, Session, Timing, find_car
from firstcause.link.uds import NewerCode, newer_units

__all__ = [
    "ELEVEN_BIT",
    "TWENTY_NINE_BIT",
    "Addressing",
    "Broken",
    "BusStopped",
    "EraseRefused",
    "EraseReport",
    "Exchange",
    "FrameNotAllowed",
    "NewerCode",
    "NoAnswer",
    "Reassembler",
    "Received",
    "Recorder",
    "ReplayBus",
    "ServiceNotAllowed",
    "Session",
    "Timing",
    "Unit",
    "erase_codes",
    "find_car",
    "newer_units",
    "record_live",
    "supported_parameters",
    "take_snapshot",
]
