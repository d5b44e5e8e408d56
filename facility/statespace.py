"""States in numbers: every state that some order of steps reaches, found breadth first.

The search behind `facility.interlocks`, which has the words; here a sheet is bits and arrays.
"""

import math
from array import array
from functools import cached_property

import numpy as np

MOST_STATES = 2**21
"""Reached states above which a search stops; own proposal, keeps a proof within about 1 GB."""


class TooManyStates(ValueError):
    """The search went beyond MOST_STATES; says how many it had counted."""


def bits(number):
    """The places of the ones of an integer, lowest first."""
    while number:
        low = number & -number
        yield low.bit_length() - 1
        number ^= low


class Conditions:
    """Many conditions {device: states} tested at once: one bit for each, one table for each device.

    A state's bits are those that all its devices' tables share.
    """

    def __init__(self, machine, conditions):
        self.count = len(conditions)
        self.all = (1 << self.count) - 1
        self.tables = []
        for device, states in machine.devices.items():
            if any(device in condition for condition in conditions):
                table = [
                    sum(
                        1 << number
                        for number, condition in enumerate(conditions)
                        if state in condition.get(device, states)
                    )
                    for state in states
                ]
                self.tables.append((machine.shift[device], machine.mask[device], table))

    def holding(self, code):
        """The conditions that hold in one encoded state, as bits."""
        bits = self.all
        for shift, mask, table in self.tables:
            bits &= table[code >> shift & mask]
        return bits

    @cached_property
    def _rows(self):
        width = (self.count + 7) // 8
        return [
            (shift, mask, np.frombuffer(b"".join(b.to_bytes(width, "little") for b in table), "u1"))
            for shift, mask, table in self.tables
        ]

    def matrix(self, codes):
        """Which conditions hold in which encoded states, boolean, shape (states, conditions)."""
        if not self.count:
            return np.zeros((len(codes), 0), bool)
        width = (self.count + 7) // 8
        start = np.frombuffer(self.all.to_bytes(width, "little"), "u1")
        bits = np.tile(start, (len(codes), 1))
        for shift, mask, rows in self._rows:
            bits &= rows.reshape(-1, width)[codes >> shift & mask]
        return np.unpackbits(bits, axis=1, count=self.count, bitorder="little").view(bool)


class Machine:
    """A sheet in numbers: a state is one integer with a field of bits for each device.

    With a start, the fields hold only the states that its devices can ever have from there.
    """

    def __init__(self, sheet, start=None, requires=None):
        self.sheet, self.start = sheet, start
        self.devices = sheet.devices if start is None else _states_met(sheet, start)
        self.shift, self.mask, self.bits = {}, {}, 0
        for device, states in self.devices.items():
            width = (len(states) - 1).bit_length()
            self.shift[device], self.mask[device] = self.bits, (1 << width) - 1
            self.bits += width
        self.requires = requires or [step.requires for step in sheet.steps]
        self.possible = Conditions(self, self.requires)
        self.hazards = Conditions(self, [hazard.when for hazard in sheet.never])
        self.rest = Conditions(self, [sheet.rest])
        self.keep = [~self._fields(step.sets) for step in sheet.steps]
        self.put = [self.encode(step.sets) for step in sheet.steps]
        self.by_people = sum(
            1 << number for number, step in enumerate(sheet.steps) if step.kind != "event"
        )
        self.follow = _worth_following(sheet.steps, self.requires)

    def _fields(self, devices):
        return sum(self.mask[device] << self.shift[device] for device in devices)

    def encode(self, state):
        return sum(
            self.devices[device].index(value) << self.shift[device]
            for device, value in state.items()
        )

    def decode(self, code):
        return {
            device: states[code >> self.shift[device] & self.mask[device]]
            for device, states in self.devices.items()
        }

    def after(self, code, number):
        return code & self.keep[number] | self.put[number]

    def without(self, number, device):
        """The same machine, one condition of one step taken away."""
        requires = list(self.requires)
        requires[number] = {d: s for d, s in requires[number].items() if d != device}
        return Machine(self.sheet, self.start, requires)

    def steps_to_rest(self, code):
        """At least so many steps are left to rest; 0 only at rest.

        A device off rest counts one over the most devices that a step brings to rest along with it,
        so that no step can take off more than one.
        """
        off = self._each_at_rest.all & ~self._each_at_rest.holding(code)
        if off not in self._steps_left:
            left = sum(self._weights[number] for number in bits(off))
            self._steps_left[off] = math.ceil(left - 1e-9)
        return self._steps_left[off]

    @cached_property
    def _each_at_rest(self):
        rest = self.sheet.rest
        self._steps_left = {}
        return Conditions(self, [{device: states} for device, states in rest.items()])

    @cached_property
    def _weights(self):
        rest = self.sheet.rest
        together = [
            {device for device, state in step.sets.items() if state in rest.get(device, ())}
            for step in self.sheet.steps
        ]
        return [1 / max((len(s) for s in together if device in s), default=1) for device in rest]

    def columns(self, chosen):
        """Bits of steps as a boolean row, shape (steps,)."""
        return np.array([chosen >> n & 1 for n in range(len(self.requires))], bool)

    @cached_property
    def effects(self):
        """`keep` and `put` of all steps as arrays, for states that fit 63 bits."""
        return np.array(self.keep, np.int64), np.array(self.put, np.int64)


def _worth_following(steps, requires):
    """The steps that change a device, of identical ones the first, as bits."""
    first = {}
    for number, step in enumerate(steps):
        if step.sets:
            same = step.kind == "event", *map(_sorted_items, (requires[number], step.sets))
            first.setdefault(same, number)
    return sum(1 << number for number in first.values())


def _sorted_items(mapping):
    return tuple(sorted(mapping.items()))


def _states_met(sheet, start):
    """For each device the states that the start and the steps give it, in the sheet's order."""
    met = {device: {state} for device, state in start.items()}
    for step in sheet.steps:
        for device, state in step.sets.items():
            met[device].add(state)
    return {
        device: tuple(state for state in states if state in met[device])
        for device, states in sheet.devices.items()
    }


_BLOCK = 4096  # states taken at once: with 40 steps about 1 MB an array, which the cache holds
_THIN = 24  # with fewer states at hand, plain integers are quicker than arrays (measured)
_DENSE_BITS = 26  # up to here a table of all codes, 256 MB at most; above a dictionary
_SOURCE_BITS = 22  # an edge is one integer, target above, source below; 2^22 holds MOST_STATES


class Search:
    """The states reached so far, in the order of reaching, each with the step that led to it.

    Wide fronts go through arrays; thin ones, and states too wide for 63 bits, one by one: a sheet
    that counts like a clock has a million fronts of one state.
    """

    def __init__(self, machine, most=MOST_STATES):
        self.most = min(most, MOST_STATES)
        self.narrow = machine.bits <= 63
        self.codes = array("q") if self.narrow else []
        self.parent, self.via = array("i"), array("i")
        self.ever_possible = 0
        self.dense = machine.bits <= _DENSE_BITS
        if self.dense:
            self._place = np.zeros(1 << machine.bits, np.int32)  # place + 1; 0: not reached
            self.place = memoryview(self._place)
        else:
            self.place = {}

    def begin(self, code):
        self._add(code, -1, -1)

    def run(self, machine, first=0):
        """Walk on from the states at `first` and after, until nothing new is reached."""
        while first < len(self.codes):
            last = min(len(self.codes), first + _BLOCK)
            if self.narrow and last - first >= _THIN:
                self._wide(machine, first, last)
            else:
                self._thin(machine, first, last)
            if len(self.codes) > self.most:
                raise TooManyStates(
                    f"The sheet reaches more than {self.most:,} states ({len(self.codes):,} when "
                    "the proof stopped); join devices or leave out some that no hazard names."
                )
            first = last

    def _thin(self, machine, first, last):
        for place in range(first, last):
            code = self.codes[place]
            able = machine.possible.holding(code)
            self.ever_possible |= able
            for number in bits(able & machine.follow):
                after = machine.after(code, number)
                if not self._known(after):
                    self._add(after, place, number)

    def _wide(self, machine, first, last):
        codes = np.array(self.codes[first:last], np.int64)
        able = machine.possible.matrix(codes)
        ever = np.packbits(able.any(axis=0), bitorder="little").tobytes()
        self.ever_possible |= int.from_bytes(ever, "little")
        self._add_new(*_leads_to(machine, codes, able & machine.columns(machine.follow)), first)

    def beyond(self, looser, number):
        """The hazards, with a place, of what is reached only since one step is possible more often.

        What was reached stays reached, so only what lies beyond it is walked, and forgotten again.
        """
        known = len(self.codes)
        self._step_through(looser, number)
        self.run(looser, known)
        hits = self.first_hit(looser.hazards, known)
        self._forget(known)
        return hits

    def _step_through(self, machine, number):
        """Take one step from every state that was reached, wherever it is possible."""
        only = Conditions(machine, [machine.requires[number]])
        for first, codes in self._blocks(len(self.codes)):
            if self.narrow:
                rows = np.flatnonzero(only.matrix(codes)[:, 0])
                after = codes[rows] & machine.keep[number] | machine.put[number]
                self._add_new(after, rows, np.full(len(rows), number), first)
            else:
                for place, code in enumerate(codes, first):
                    if only.holding(code) and not self._known(machine.after(code, number)):
                        self._add(machine.after(code, number), place, number)

    def _forget(self, known):
        for code in self.codes[known:]:
            if self.dense:
                self.place[code] = 0
            else:
                del self.place[code]
        del self.codes[known:], self.parent[known:], self.via[known:]

    def first_hit(self, conditions, first=0):
        """{number of a condition: place of the first state in which it holds}, from `first` on."""
        hits = {}
        for begin, codes in self._blocks(len(self.codes), first):
            if len(hits) == conditions.count:
                break
            if self.narrow:
                held = conditions.matrix(codes)
                for number in np.flatnonzero(held.any(axis=0)).tolist():
                    hits.setdefault(number, begin + int(held[:, number].argmax()))
            else:
                for place, code in enumerate(codes, begin):
                    for number in bits(conditions.holding(code)):
                        hits.setdefault(number, place)
        return hits

    def trace(self, place):
        """The numbers of the steps from the start to a reached state."""
        numbers = []
        while self.parent[place] >= 0:
            numbers.append(self.via[place])
            place = self.parent[place]
        return numbers[::-1]

    def count_that_reach_rest(self, machine):
        """How many reached states have some way to rest by steps and looks."""
        able = np.zeros(len(self.codes), bool)
        for first, codes in self._blocks(len(self.codes)):
            if self.narrow:
                able[first : first + len(codes)] = machine.rest.matrix(codes)[:, 0]
            else:
                able[first : first + len(codes)] = [machine.rest.holding(c) for c in codes]
        stuck = np.flatnonzero(~able)
        while (
            len(stuck) and able.any()
        ):  # most find a state on its way to rest at once; the others keep edges
            edges = self._mark_next_to(able, machine, stuck)
            before, stuck = len(stuck), np.flatnonzero(~able)
            if len(stuck) > before / 2:
                _spread_back(able, edges)
                break
        return int(able.sum())

    def _mark_next_to(self, able, machine, stuck):
        """Mark which of the stuck places lead to a marked one; the edges of those that do not.

        An edge is a step or look that changes the state: target and source in one integer.
        """
        edges = array("q")
        people = machine.by_people & machine.follow
        columns = machine.columns(people)
        codes = np.array(self.codes, np.int64) if self.narrow else self.codes
        for begin in range(0, len(stuck), _BLOCK):
            places = stuck[begin : begin + _BLOCK]
            if self.narrow:
                here = codes[places]
                after, rows, _ = _leads_to(machine, here, machine.possible.matrix(here) & columns)
                targets, sources = self._places(after), places[rows]
            else:
                pairs = [
                    (self.place[machine.after(codes[place], number)] - 1, place)
                    for place in places.tolist()
                    for number in bits(machine.possible.holding(codes[place]) & people)
                ]
                targets, sources = np.array(pairs, np.int64).reshape(-1, 2).T
            for _ in range(8):  # a block may hold several fronts, each next to the one before
                found = able[targets] & ~able[sources]
                if not found.any():
                    break
                able[sources[found]] = True
            kept = ~able[sources] & (targets != sources)
            edges.frombytes((targets[kept] << _SOURCE_BITS | sources[kept]).tobytes())
        return edges

    def _blocks(self, last, first=0):
        """(place of the first, codes) of block after block; arrays where codes fit 63 bits."""
        for begin in range(first, last, _BLOCK):
            codes = self.codes[begin : min(begin + _BLOCK, last)]
            yield begin, np.array(codes, np.int64) if self.narrow else codes

    def _known(self, code):
        return self.place[code] if self.dense else code in self.place

    def _add(self, code, parent, via):
        self.codes.append(code)
        self.parent.append(parent)
        self.via.append(via)
        self.place[code] = len(self.codes)

    def _add_new(self, after, rows, numbers, first):
        """Add what is not known yet, each once, in the order in which one by one would find it."""
        if self.dense:
            new = self._place[after] == 0
            after, rows, numbers = after[new], rows[new], numbers[new]
        codes, firsts = np.unique(after, return_index=True)
        if not self.dense:
            new = [code not in self.place for code in codes.tolist()]
            firsts = firsts[np.array(new, bool)]
        firsts.sort()
        codes, begin = after[firsts], len(self.codes)
        self.codes.frombytes(codes.astype(np.int64).tobytes())
        self.parent.frombytes((rows[firsts] + first).astype(np.int32).tobytes())
        self.via.frombytes(numbers[firsts].astype(np.int32).tobytes())
        if self.dense:
            self._place[codes] = np.arange(begin + 1, len(self.codes) + 1)
        else:
            self.place.update(
                zip(codes.tolist(), range(begin + 1, len(self.codes) + 1), strict=True)
            )

    def _places(self, codes):
        if self.dense:
            return self._place[codes].astype(np.int64) - 1
        unique, where = np.unique(codes, return_inverse=True)
        places = np.fromiter(map(self.place.__getitem__, unique.tolist()), np.int64, len(unique))
        return places[where] - 1


def _leads_to(machine, codes, able):
    """The states that follow, with the row and the step that lead to each, row by row."""
    rows, numbers = np.nonzero(able)
    keep, put = machine.effects
    return codes[rows] & keep[numbers] | put[numbers], rows, numbers


def _spread_back(able, edges):
    """Mark in place every state from which a marked one can be reached along the edges."""
    edges = np.frombuffer(edges, np.int64)
    edges.sort()
    bounds = np.searchsorted(edges, np.arange(len(able) + 1, dtype=np.int64) << _SOURCE_BITS)
    sources = (edges & (1 << _SOURCE_BITS) - 1).astype(np.int32)
    marked, bound = memoryview(able), memoryview(bounds)
    todo = np.flatnonzero(able).tolist()
    while todo:
        if len(todo) < _THIN:
            target = todo.pop()
            for source in sources[bound[target] : bound[target + 1]].tolist():
                if not marked[source]:
                    marked[source] = True
                    todo.append(source)
        else:
            found = sources[_ranges(bounds, np.array(todo))]
            found = np.unique(found[~able[found]])
            able[found] = True
            todo = found.tolist()


def _ranges(bounds, targets):
    """The indices bounds[t] to bounds[t + 1] of all targets, one after the other."""
    starts, lengths = bounds[targets], bounds[targets + 1] - bounds[targets]
    ends = np.cumsum(lengths)
    return np.arange(ends[-1]) + np.repeat(starts - ends + lengths, lengths)
