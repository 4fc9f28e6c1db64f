"""How much faster than real time the virtual car drives, control unit running, on one core: processor time."""

from __future__ import annotations

import argparse
import statistics
import time

from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.drive import named_drive
from firstcause.virtualcar.shopday import ShopDay

VIN = "5ZCV2A3B5AR000123"


def times_real_time(shape: str, litres: float, drive: str, step_s: float, repeats: int, fault: bool) -> float:
    """Simulated seconds over processor seconds, median of some runs; with a weak coil when `fault`."""
    found = []
    for seed in range(repeats):
        faults = [("coil-weak", 2, 1.0)] if fault else []
        car = VirtualCar.build(common_layout(shape, displacement_l=litres), VIN, 90_000.0, faults, seed=seed)
        profile = named_drive(drive, step_s, 20.0)
        begun = time.process_time()
        car.drive(profile)
        found.append(profile.length_s / (time.process_time() - begun))
    return statistics.median(found)


def main() -> None:
    """Print the factor for some engines and step lengths, and the time of some tests."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--repeats", type=int, default=3)
    options = asked.parse_args()
    for shape, litres in (("I4", 2.0), ("V6", 3.0), ("V8", 4.0), ("V12", 6.0)):
        for drive, step_s in (("mixed", 0.5), ("motorway", 0.5), ("town", 10.0)):
            sound = times_real_time(shape, litres, drive, step_s, options.repeats, fault=False)
            weak = times_real_time(shape, litres, drive, step_s, options.repeats, fault=True)
            print(f"{shape:4s} {drive:9s} step {step_s:4.1f} s  sound {sound:7,.0f} x  with a fault {weak:7,.0f} x")
    day = ShopDay(VirtualCar.build(common_layout("V6"), VIN, 90_000.0, seed=1))
    for act in ("compression-dry 2", "leak-down 2", "relative-compression", "vacuum-gauge", "read codes"):
        begun = time.process_time()
        day.do(act)
        print(f"{act:22s} {1000 * (time.process_time() - begun):6.1f} ms")


if __name__ == "__main__":
    main()
