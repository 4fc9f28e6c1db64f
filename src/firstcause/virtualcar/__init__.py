"""A virtual car: physics that misfires, a control unit that keeps the published rules, parts that can be moved.

In reading order: `gas` and `spark` (physics), `parts` and `faults` (what can be wrong), `fouling` and `engine`
(chance of a misfire), `misfire_monitor`, `code_memory`, `in_use`, `trims`, `control_unit` (the rules), `drive`
and `car` (use it), `instruments` (test it), `isotp`, `answers` and `bus` (ask it).
"""
