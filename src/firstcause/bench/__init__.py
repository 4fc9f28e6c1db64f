"""Judging a measurement at the bench: how likely a number is under each outcome of its test.

reading      what a judgement hands back
bands        a number against borders, with the scatter and the circumstances that the knowledge file states
compression  cranking pressure dry and wet
leakdown     the differential tester: orifices in series
parts        shares of a specification, distances from the sisters, plain readings
trims        fuel trims by region
"""
