"""A second, slow road to every answer of a proof: plain dictionaries, nothing shared with the engine.

It reads the JSON document itself, keeps states as tuples of words and tries one step at a time.
"""

from collections import deque


def listed(states):
    return [states] if isinstance(states, str) else states


def all_hold(condition, state):
    return all(state[device] in listed(states) for device, states in condition.items())


def steps_of(document):
    return [
        (row["id"], row.get("kind", "step"), row.get("requires", {}), row.get("sets", {}))
        for row in document["steps"]
    ]


def explore(document, steps):
    """{state: a shortest trace}, {state: those that lead to it by people}, ids that were possible."""
    names = list(document["devices"])
    first = tuple(document["start"][name] for name in names)
    traces, before, possible = {first: ()}, {}, set()
    queue = deque([first])
    while queue:
        words = queue.popleft()
        state = dict(zip(names, words, strict=True))
        for step, kind, requires, sets in steps:
            if not all_hold(requires, state):
                continue
            possible.add(step)
            after = tuple({**state, **sets}[name] for name in names)
            if kind != "event":
                before.setdefault(after, set()).add(words)
            if after not in traces:
                traces[after] = (*traces[words], step)
                queue.append(after)
    return traces, before, possible


def hazards_reached(document, traces):
    """{hazard: number of steps of a shortest trace}."""
    names = list(document["devices"])
    reached = {}
    for row in document.get("never", []):
        lengths = [
            len(trace)
            for words, trace in traces.items()
            if all_hold(row["when"], dict(zip(names, words, strict=True)))
        ]
        if lengths:
            reached[row["id"]] = min(lengths)
    return reached


def with_a_way_to_rest(document, traces, before):
    names = list(document["devices"])
    rest = document.get("rest", {})
    todo = [w for w in traces if all_hold(rest, dict(zip(names, w, strict=True)))]
    able = set(todo)
    while todo:
        for words in before.get(todo.pop(), ()):
            if words not in able:
                able.add(words)
                todo.append(words)
    return able


def listed_order_fails_at(document):
    state = dict(document["start"])
    for step, kind, requires, sets in steps_of(document):
        if kind == "step":
            if not all_hold(requires, state):
                return step
            state.update(sets)
    return None


def guarded(document):
    """[(step, device, hazards)]: the whole search again for each condition taken away."""
    steps = steps_of(document)
    known = hazards_reached(document, explore(document, steps)[0])
    rows = []
    for number, (step, kind, requires, sets) in enumerate(steps):
        for device in requires:
            fewer = {name: states for name, states in requires.items() if name != device}
            looser = [*steps[:number], (step, kind, fewer, sets), *steps[number + 1 :]]
            found = hazards_reached(document, explore(document, looser)[0])
            rows.append((step, device, tuple(h for h in found if h not in known)))
    return tuple(rows)


def answers(document):
    """Everything that a proof says, traces by their lengths."""
    traces, before, possible = explore(document, steps_of(document))
    return {
        "hazards": hazards_reached(document, traces),
        "states": len(traces),
        "never_possible": tuple(
            row["id"] for row in document["steps"] if row["id"] not in possible
        ),
        "no_way": len(traces) - len(with_a_way_to_rest(document, traces, before)),
        "fails_at": listed_order_fails_at(document),
        "conditions": guarded(document),
    }
