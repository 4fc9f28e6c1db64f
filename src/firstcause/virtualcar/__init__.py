"""A virtual car: physics that misfires, a control unit that keeps the published rules, parts that can be moved.

In reading order: `gas`, `spark`, `air_path`, `combustion`, `crankshaft` (physics), `parts`, `places`, `fault_table`
and `faults` (what can be wrong), `fouling` and `engine` (each firing), `misfire_monitor`, `code_memory`, `monitors`,
`in_use`, `trims`, `control_unit` (the rules), `drive` and `car` (use it), `workshop`, `senses`, `gauges`, `electrics`,
`cranking`, `instruments` (test it), `works` and `shopday` (a whole day), `car_file` (a car from a file or a seed),
`isotp`, `answers` and `bus` (ask it).
"""
