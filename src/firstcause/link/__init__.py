"""Talking to the car: requests out, whole answers of all its control units back; reading only, unless told.

- `addressing`: identifiers of 11 and 29 bits; `Unit` is one control unit
- `adapters`: the adapters of this machine, found and opened; `finding`: the car behind one, by listening first;
  `kept`: the settings that found it
- `gate`: the one place where a frame leaves; only listed reading requests and the guarded erase pass
- `reassembly`: frames to whole answers (can-isotp), faults as typed events
- `session`: the one owner of the bus, time limits, which services may be sent
- `recording`: every frame into a trace file, safe against a crash
- `replay`: a recorded trace as a bus that answers the same
- `schedule`, `live`: live data, several parameters at once, each as often as it changes
- `traffic`: a trace told again as requests and answers, values, other forms of file
- `evidence`: `take_snapshot`, all that the car says before anything is erased
- `uds`: units that speak only the newer services: recognised, their codes read
- `erase`: erasing codes behind its guard

The seam for another kind of adapter is `Session.request`: request bytes in, (unit, answer bytes) pairs out.
"""

from firstcause.link.adapters import Adapter, found_adapters, open_adapter
from firstcause.link.addressing import ELEVEN_BIT, TWENTY_NINE_BIT, Addressing, Unit
from firstcause.link.erase import EraseRefused, EraseReport, erase_codes
from firstcause.link.evidence import take_snapshot
from firstcause.link.finding import Finding, find_behind
from firstcause.link.gate import FrameNotAllowed, ServiceNotAllowed
from firstcause.link.kept import KeptAdapter
from firstcause.link.live import record_live, supported_parameters
from firstcause.link.reassembly import Broken, Reassembler, Received
from firstcause.link.recording import Recorder
from firstcause.link.replay import ReplayBus
from firstcause.link.session import BusStopped, Exchange, NoAnswer, Session, Timing
from firstcause.link.uds import NewerCode, newer_units

__all__ = [
    "ELEVEN_BIT",
    "TWENTY_NINE_BIT",
    "Adapter",
    "Addressing",
    "Broken",
    "BusStopped",
    "EraseRefused",
    "EraseReport",
    "Exchange",
    "Finding",
    "FrameNotAllowed",
    "KeptAdapter",
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
    "find_behind",
    "found_adapters",
    "newer_units",
    "open_adapter",
    "record_live",
    "supported_parameters",
    "take_snapshot",
]
