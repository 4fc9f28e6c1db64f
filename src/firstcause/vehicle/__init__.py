"""The car in front of you, as values.

- `vin`: the vehicle identification number: parts, check digit, region, model-year code
- `layout`: the engine as an arrangement: cylinders, banks, firing order, what is shared, who is whose neighbour
"""

from firstcause.vehicle.layout import EngineLayout, ImpossibleLayout, common_layout
from firstcause.vehicle.vin import BadVin, BadVinCharacter, Vin, WrongVinLength

__all__ = [
    "BadVin",
    "BadVinCharacter",
    "EngineLayout",
    "ImpossibleLayout",
    "Vin",
    "WrongVinLength",
    "common_layout",
]
