"""firstcause: a technician's casebook with a reasoning engine, a car link and a proof of repair."""

__version__ = "0.1.0"
