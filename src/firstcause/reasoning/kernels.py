"""The loops that are compiled: tables of signed rows, couplings of configurations, and the list of configurations.

Arrays only, each named with its shape; what they mean is told where they are made (`packed`, `blocks`, `growing`).
Indices: i causes, c columns, m members, u units, o outer, r rows, s configurations, h slots, e extras.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.jit import compiled

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

WORD = 62
FINE = 49  # a weight's bits without these, its last, sort weights into steps of an eighth of an octave
STEPS = 512


@compiled
def times(target: Array, factors: Array) -> None:
    """Multiply in place. Only loops over whole arrays become vector instructions: an offset would prevent it."""
    for r in range(len(target)):
        target[r] *= factors[r]


@compiled
def add(target: Array, values: Array, weight: float) -> None:
    """Add so many times these values, as many as the target has."""
    for r in range(len(target)):
        target[r] += weight * values[r]


@compiled
def dot(one: Array, other: Array) -> float:
    """The sum of products."""
    total = 0.0
    for r in range(len(one)):
        total += one[r] * other[r]
    return total


@compiled
def expand(factors: Array, causes: Index, begin: Index, sums: Index, out: Array) -> None:
    """Factors (i, c) of some causes multiplied out over all combinations of the terms of these sums: out (causes,
    cells).

    The last sum turns quickest. Source: the expansion of Heckerman's quickscore (1989).
    """
    for k in range(len(causes)):
        i, size = causes[k], 1
        out[k, 0] = 1.0
        for t in sums:
            first, terms = begin[t], begin[t + 1] - begin[t]
            for r in range(size - 1, -1, -1):
                so_far = out[k, r]
                for d in range(terms - 1, -1, -1):
                    out[k, r * terms + d] = so_far * factors[i, first + d]
            size *= terms


@compiled
def unit_states(present: Array, absent: Array, unit: Index, state: Index, weight: Array, out: Array) -> None:
    """Each joint state of each unit, its prior times what it does to each cell: out (states, cells).

    `present`, `absent` (m, cells): couplings; no rows in `absent`: all 1.
    """
    for u in range(len(unit) - 1):
        first, count = unit[u], unit[u + 1] - unit[u]
        states = out[state[u] : state[u + 1]]
        states[0] = 1.0
        for at in range(count):
            bit = 1 << at
            for s in range(bit):
                states[s + bit] = states[s]
                times(states[s + bit], present[first + at])
                if len(absent):
                    times(states[s], absent[first + at])
        for s in range(len(states)):
            for c in range(out.shape[1]):
                states[s, c] *= weight[state[u] + s]


@compiled
def unit_values(
    states: Array, unit: Index, state: Index, weight: Array, factor: Array, everything: bool, values: Array,
    parts: Array,
) -> None:  # fmt: skip
    """Units summed over their states (u, cells), and over those in which each member is present (m, cells).

    `states`: see unit_states. `factor` (m,) multiplies states in which a member is present. Without `everything` only
    units with a factor that is not 1 are computed. No rows in `parts`: they are not wanted.
    """
    for u in range(len(unit) - 1):
        first, count = unit[u], unit[u + 1] - unit[u]
        changed = everything
        for m in range(first, first + count):
            changed = changed or factor[m] != 1.0
        if not changed:
            continue
        values[u] = 0.0
        if len(parts):
            for m in range(first, first + count):
                parts[m] = 0.0
        for s in range(state[u], state[u + 1]):
            times_over = 1.0 if weight[s] != 0.0 else 0.0
            for at in range(count):
                if (s - state[u]) >> at & 1:
                    times_over *= factor[first + at]
            if times_over == 0.0:
                continue
            add(values[u], states[s], times_over)
            if len(parts):
                for at in range(count):
                    if (s - state[u]) >> at & 1:
                        add(parts[first + at], states[s], times_over)


@compiled
def put_back(factor: Array, unit: Index, values: Array, parts: Array, own: Array, some: Array) -> None:
    """Units on which there was a factor as they are without it: into own (u, cells) and some (m, cells, or none)."""
    for u in range(len(unit) - 1):
        changed = False
        for m in range(unit[u], unit[u + 1]):
            changed = changed or factor[m] != 1.0
        if changed:
            own[u] = values[u]
            if len(some):
                for m in range(unit[u], unit[u + 1]):
                    some[m] = parts[m]


@compiled
def product_of(base: Array, values: Array, table: Array) -> None:
    """Base times all units' values: table (cells,)."""
    table[:] = base
    for u in range(len(values)):
        times(table, values[u])


@compiled
def members_in(base: Array, around: Array, values: Array, parts: Array, unit: Index, found: Array) -> None:
    """Weight of each member's presence, from what surrounds the cells for it: around (1 + guests, cells), found (m,).

    The last members are guests, each with its own surroundings in around[1:]; all others have around[0]. Products
    without each unit are taken from both ends, so that nothing is divided.
    """
    cells, units, guests = around.shape[1], len(values), len(around) - 1
    before, after, own = np.empty((units + 1, cells)), np.ones(cells), np.empty(cells)
    before[0] = base
    for u in range(units):
        before[u + 1] = before[u]
        times(before[u + 1], values[u])
    after[:] = around[0]
    for u in range(units - 1, -1, -1):
        if u < units - guests:
            times(before[u], after)
            for m in range(unit[u], unit[u + 1]):
                found[m] = dot(before[u], parts[m])
        else:
            own[:] = before[u]
            for other in range(u + 1, units):
                times(own, values[other])
            times(own, around[1 + u - (units - guests)])
            found[unit[u]] = dot(own, parts[unit[u]])
        times(after, values[u])


@compiled
def surroundings(outside: Array, coupling: Array, busy: Flags, factor: Array, ratio: Array, around: Array) -> None:
    """What surrounds each cell, summed over configurations: outside (e, s, o), coupling (s, r), around (e, 1 + g,
    o * r): for all members, and for each guest without the configurations in which it is busy (s, g).

    `factor` (e, g) on a guest; `ratio` (e, g, r): what the coupling is to be multiplied with where the guest is busy.
    """
    rows, outers, guests = coupling.shape[1], outside.shape[2], busy.shape[1]
    row = np.empty(rows)
    for e in range(len(outside)):
        around[e] = 0.0
        for s in range(len(coupling)):
            row[:] = coupling[s]
            for g in range(guests):
                if busy[s, g] and factor[e, g] != 1.0:
                    times(row, ratio[e, g])
            for o in range(outers):
                w = outside[e, s, o]
                if w == 0.0:
                    continue
                add(around[e, 0, o * rows : (o + 1) * rows], row, w)
                for g in range(guests):
                    if busy[s, g]:
                        add(around[e, 1 + g, o * rows : (o + 1) * rows], row, w)
        for g in range(guests):
            for c in range(around.shape[2]):
                around[e, 1 + g, c] = around[e, 0, c] - around[e, 1 + g, c]


@compiled
def given_to_busy(tables: Array, coupling: Array, busy: Flags, factor: Array, ratio: Array, given: Array) -> None:
    """Correct what tables (e, o * r) come to, given (e, s, o), where a guest on which there is a factor is busy."""
    rows, outers = coupling.shape[1], given.shape[2]
    row = np.empty(rows)
    for s in range(len(coupling)):
        for e in range(len(tables)):
            wrong = False
            for g in range(busy.shape[1]):
                if busy[s, g] and factor[e, g] != 1.0:
                    if not wrong:
                        row[:] = coupling[s]
                        wrong = True
                    times(row, ratio[e, g])
            if wrong:
                for o in range(outers):
                    given[e, s, o] = dot(tables[e, o * rows : (o + 1) * rows], row)


@compiled
def couple(factors: Array, on: Flags, either: Index, family: Index, instead: Array, out: Array) -> None:
    """The factor of each configuration on some rows: factors (2, h, rows) when absent and present, out (s, rows).

    `family` (h,): the guest whose child a slot is, or -1; `instead` (g, rows) counts once where any child is present.
    """
    last = np.full(len(instead), -1)
    for s in range(len(on)):
        out[s] = 1.0
        for h in range(on.shape[1]):
            if on[s, h]:
                times(out[s], factors[1, h])
                if family[h] >= 0 and last[family[h]] != s:
                    last[family[h]] = s
                    times(out[s], instead[family[h]])
        for h in either:
            if not on[s, h]:
                times(out[s], factors[0, h])


@compiled
def tables_under(
    factors: Array,
    base: Array,
    states: Array,
    unit: Index,
    state: Index,
    weight: Array,
    values: Array,
    parts: Array,
    tables: Array,
) -> None:
    """The table of a block under factors (e, m) on its members: tables (e, cells)."""
    own, some = values.copy(), np.empty((0, values.shape[1]))
    for e in range(len(factors)):
        unit_values(states, unit, state, weight, factors[e], False, own, some)
        product_of(base, own, tables[e])
        put_back(factors[e], unit, values, parts, own, some)


@compiled
def members_under(
    factors: Array,
    around: Array,
    base: Array,
    states: Array,
    unit: Index,
    state: Index,
    weight: Array,
    values: Array,
    parts: Array,
    found: Array,
) -> None:
    """Weight of each member's presence under factors (e, m), from what surrounds the cells then (see members_in)."""
    own, some = values.copy(), parts.copy()
    for e in range(len(factors)):
        unit_values(states, unit, state, weight, factors[e], False, own, some)
        members_in(base, around[e], own, some, unit, found[e])
        put_back(factors[e], unit, values, parts, own, some)


@compiled
def times_shared(begin: Index, slot: Index, factor: Array, on: Flags, chance: Array, out: Array) -> None:
    """Factors of each extra on shared causes under each configuration: out (e, s).

    Extra e has factor[begin[e]:begin[e + 1]] on slots; slots after the last are causes summed out, of `chance` (s, .).
    """
    slots = on.shape[1]
    for e in range(len(begin) - 1):
        for s in range(len(on)):
            out[e, s] = 1.0
        for at in range(begin[e], begin[e + 1]):
            h, v = slot[at], factor[at]
            for s in range(len(on)):
                if h >= slots:
                    out[e, s] *= 1.0 - chance[s, h - slots] * (1.0 - v)
                elif on[s, h]:
                    out[e, s] *= v


# -------------------------------------------------------------------- configurations of shared causes


@compiled
def unpack(words: Index, slots: int) -> Flags:
    """Configurations as flags: (s, h)."""
    on = np.empty((len(words), slots), dtype=np.bool_)
    for s in range(len(words)):
        for h in range(slots):
            on[s, h] = words[s, h // WORD] >> (h % WORD) & 1 == 1
    return on


@compiled
def prior_of(
    on: Flags, no_root: float, odds: Array, link_child: Index, link_keep: Array, link_begin: Index, link_parent: Index,
    link_left: Array, fold_leak: Array, fold_begin: Index, fold_child: Index, fold_with: Array, fold_own: Array,
    prior: Array, chance: Array,
) -> None:  # fmt: skip
    """Prior of each configuration (s,), and the chance of each cause that is summed out (s, .).

    Roots by their odds (h,); links with child and parents in slots; causes summed out by their children's chances when
    present (`fold_with`) and by the children's own (`fold_own`). Of those, the ones without a column in `chance` are
    guests of a block: there they count while none of their children is present.
    """
    for s in range(len(on)):
        weight = no_root
        for h in range(on.shape[1]):
            if on[s, h]:
                weight *= odds[h]
        for k in range(len(link_child)):
            absent = link_keep[k]
            for at in range(link_begin[k], link_begin[k + 1]):
                if on[s, link_parent[at]]:
                    absent *= link_left[at]
            weight *= 1.0 - absent if on[s, link_child[k]] else absent
        for f in range(len(fold_leak)):
            present, without, busy = fold_leak[f], 1.0 - fold_leak[f], False
            for at in range(fold_begin[f], fold_begin[f + 1]):
                if on[s, fold_child[at]]:
                    busy = True
                    present *= fold_with[at]
                    without *= fold_own[at]
                else:
                    present *= 1.0 - fold_with[at]
                    without *= 1.0 - fold_own[at]
            if f >= chance.shape[1]:
                weight *= present if busy else 1.0
                continue
            weight *= present + without
            chance[s, f] = present / (present + without) if present + without > 0.0 else 0.0
        prior[s] = weight


@compiled
def weigh(
    on: Flags,
    prior: Array,
    outer: Array,
    outer_weight: Array,
    outer_at: Index,
    rows: Array,
    row_at: Index,
    either: Index,
    family: Index,
    instead: Array,
    cells: Array,
    cell_at: Index,
    given: Array,
    weight: Array,
) -> None:
    """About P(configuration, findings): weight (s,).

    outer (2, h, o), rows (2, h, rows of all blocks): factors when absent and when present; `family`, `instead`: see
    couple. `cells` the tables (o, r) of
    all blocks; `given` (s, o) what listed blocks come to, or nothing.
    """
    slots, outers = on.shape[1], len(outer_weight)
    row, total, own = np.empty(rows.shape[2]), np.empty(outers), np.empty(outers)
    last = np.full(len(instead), -1)
    for s in range(len(on)):
        weight[s] = 0.0
        if prior[s] == 0.0:
            continue
        for o in range(outers):
            total[o] = outer_weight[o] * (given[s, o] if len(given) else 1.0)
        for r in range(len(row)):
            row[r] = 1.0
        for h in range(slots):
            if on[s, h]:
                times(row, rows[1, h])
                times(total, outer[1, h])
                if family[h] >= 0 and last[family[h]] != s:
                    last[family[h]] = s
                    times(row, instead[family[h]])
        for h in either:
            if not on[s, h]:
                times(row, rows[0, h])
                times(total, outer[0, h])
        for b in range(len(outer_at)):
            first, many = row_at[b], row_at[b + 1] - row_at[b]
            if many == 0:
                continue
            for o in range((cell_at[b + 1] - cell_at[b]) // many):
                at = cell_at[b] + o * many
                own[o] = dot(cells[at : at + many], row[first : first + many])
            for o in range(outers):
                total[o] *= own[outer_at[b, o]]
        everything = 0.0
        for o in range(outers):
            everything += total[o]
        weight[s] = max(everything * prior[s], 0.0)


@compiled
def remember(table: Index, words: Index, at: int) -> bool:
    """Put row `at` of words into an open table of row numbers (-1: free); False if it was there."""
    mixed = np.int64(1469598103934665603)
    for w in range(words.shape[1]):
        mixed = (mixed ^ words[at, w]) * np.int64(1099511628211)
        mixed ^= mixed >> 29
    place = mixed & (len(table) - 1)
    while table[place] >= 0:
        same = True
        for w in range(words.shape[1]):
            same = same and words[table[place], w] == words[at, w]
        if same:
            return False
        place = (place + 1) & (len(table) - 1)
    table[place] = at
    return True


@compiled
def distinct(words: Index, table: Index, out: Index) -> int:
    """Each configuration once, into out; how many."""
    end = 0
    for s in range(len(words)):
        for w in range(words.shape[1]):
            out[end, w] = words[s, w]
        if remember(table, out, end):
            end += 1
    return end


@compiled
def one_more(words: Index, end: int, due: Flags, items: Index, table: Index) -> int:
    """Each due row of words[:end] with each item it has no cause in common with, and without each of its causes.

    Only what is new is added; returns the new end.
    """
    for s in range(end):
        remember(table, words, s)
    last = end
    for s in range(end):
        if not due[s]:
            continue
        for k in range(len(items)):
            apart = last < len(words)
            for w in range(words.shape[1]):
                apart = apart and words[s, w] & items[k, w] == 0
            if apart:
                for w in range(words.shape[1]):
                    words[last, w] = words[s, w] | items[k, w]
                if remember(table, words, last):
                    last += 1
        for w in range(words.shape[1]):
            left = words[s, w]
            while left and last < len(words):
                for v in range(words.shape[1]):
                    words[last, v] = words[s, v]
                words[last, w] ^= left & -left
                left &= left - 1
                if remember(table, words, last):
                    last += 1
    return last


@compiled
def worth_keeping(weight: Array, taken: Flags, total: float, loss: float, most: int, out: Flags) -> int:
    """All that are not taken but the least, which together stay below the loss; no more than `most`, the heaviest.

    Weights are sorted into steps of an eighth of an octave; a step is kept or left as a whole. Returns how many.
    """
    step = np.empty(len(weight), dtype=np.int64)
    sums, counts = np.zeros(STEPS), np.zeros(STEPS, dtype=np.int64)
    bits, scale = weight.view(np.int64), np.empty(1)
    scale[0] = total
    top = scale.view(np.int64)[0] >> FINE
    for s in range(len(weight)):
        if not taken[s]:
            step[s] = min(max(STEPS - 1 - (top - (bits[s] >> FINE)), 0), STEPS - 1)
            sums[step[s]] += weight[s]
            counts[step[s]] += 1
    first, lost = 0, 0.0
    while first < STEPS and lost + sums[first] <= loss:
        lost += sums[first]
        first += 1
    last, many = STEPS, 0
    while last > first and many + counts[last - 1] <= most:
        last -= 1
        many += counts[last]
    for s in range(len(weight)):
        out[s] = not taken[s] and step[s] >= last
    return many
