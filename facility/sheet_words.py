"""Run sheets in words: conditions, effects, what a proof says, how two versions differ."""

from dataclasses import dataclass, field

from facility import shipped

KINDS = {"step": "step", "look": "look", "event": "event"}


def word(name):
    """A name of a device, state or gate as words.

    >>> word("gate_valve")
    'gate valve'
    """
    return str(name).replace("_", " ")


def states(given):
    """One state or a list of them as words.

    >>> states(["closed", "open"]), states("below")
    ('closed or open', 'below')
    """
    listed = [given] if isinstance(given, str) else given
    return " or ".join(word(state) for state in listed) or "none"


def condition(given):
    """{device: states} as words, such as “gate valve closed, arm home or in”; empty for none."""
    return ", ".join(f"{word(device)} {states(rows)}" for device, rows in (given or {}).items())


def sentence_of(row):
    """What a step says, else its id in words."""
    return row.get("says") or word(row["id"]).capitalize()


def count(number, noun):
    """A number and its noun.

    >>> count(1, "state"), count(16488, "state")
    ('1 state', '16,488 states')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


# What a proof says


@dataclass(frozen=True)
class Damage:
    """A hazard that can happen, and the shortest way there, as sentences."""

    says: str
    why: str
    way: tuple[str, ...]


@dataclass(frozen=True)
class ProofWords:
    """A kept proof as a page says it. `stands`: it was worked out for just this document."""

    stands: bool
    verdict: str
    is_safe: bool = False
    waits: str = ""
    refused: str = ""
    damages: tuple[Damage, ...] = ()
    lost: str = ""
    lost_is_safe: bool | None = None
    never_possible: tuple[str, ...] = ()
    stuck: str = ""
    order: str = ""
    unneeded: tuple[str, ...] = ()
    guards: dict = field(default_factory=dict)
    is_whole: bool = False


def safe_against(document, proof):
    """One line for lists: “safe against these 13 hazards, 16,488 states”."""
    if "safe" not in proof:
        return "no proof is kept with it"
    if not proof["safe"]:
        reached = len(proof.get("hazards", []))
        return f"not safe: {reached} of its {len(document.get('never', []))} hazards can happen"
    number = len(document.get("never", []))
    hazards = "this 1 hazard" if number == 1 else f"these {number} hazards"
    return f"safe against {hazards}, {count(proof['states'], 'state')}"


def of_proof(document, proof, stands=True):
    """The ProofWords of a kept proof."""
    if "safe" not in proof:
        waits, refused = proof.get("waits", ""), proof.get("refused", "")
        verdict = "Not proven." if refused else "Not proven yet."
        return ProofWords(stands and bool(waits or refused), verdict, waits=waits, refused=refused)
    says = {row["id"]: sentence_of(row) for row in document["steps"]}
    lost = proof.get("with_anything_lost") or {}
    damages = _damages(document, proof, says) or _damages(document, lost, says)
    verdict = safe_against(document, proof)
    return ProofWords(
        stands=stands,
        verdict=f"{verdict[0].upper()}{verdict[1:]}.",
        is_safe=proof["safe"],
        waits=proof.get("waits", ""),
        damages=damages,
        lost=_lost(lost),
        lost_is_safe=lost.get("safe"),
        never_possible=tuple(
            says.get(name, word(name)) for name in (lost or proof).get("never_possible", [])
        ),
        stuck=_stuck(proof, lost),
        order=_order(proof, says),
        unneeded=tuple(
            f"{says.get(row['step'], word(row['step']))} ({word(row['device'])})"
            for row in proof.get("conditions", [])
            if not row["guards"]
        ),
        guards=_guards(document, proof),
        is_whole="conditions" in proof and bool(lost),
    )


def _damages(document, proof, says):
    rows = {row["id"]: row for row in document.get("never", [])}
    return tuple(
        Damage(
            shipped.says_of(rows.get(found["id"], {"id": found["id"]})),
            rows.get(found["id"], {}).get("why", ""),
            tuple(_move(name, says) for name in found["trace"]),
        )
        for found in proof.get("hazards", [])
    )


def _move(name, says):
    if name not in says and name.startswith("lost_"):
        return f"Nobody knows any more where this stands: {word(name.removeprefix('lost_'))}."
    return says.get(name, word(name))


def _lost(lost):
    if not lost:
        return ""
    if lost.get("refused"):
        return f"With any device lost at any moment: not proven. {lost['refused']}"
    found = "safe" if lost["safe"] else "not safe"
    return f"With any device lost at any moment: {found}, {count(lost['states'], 'state')}."


def _stuck(proof, lost):
    number = proof.get("states_with_no_way_to_rest") or lost.get("states_with_no_way_to_rest", 0)
    if not number:
        return ""
    return (
        f"From {count(number, 'state')} no way leads to rest. Add a step or a look that leads out, "
        "or widen what counts as rest."
    )


def _order(proof, says):
    at = proof.get("listed_order_fails_at")
    return "" if at is None else f"Taken as listed, the order stops at: {says.get(at, word(at))}"


def _guards(document, proof):
    """{step: [(device, sentences of the hazards that its condition alone keeps away)]}."""
    rows = {row["id"]: row for row in document.get("never", [])}
    found = {}
    for row in proof.get("conditions", []):
        kept = [shipped.says_of(rows.get(name, {"id": name})) for name in row["guards"]]
        found.setdefault(row["step"], []).append((word(row["device"]), kept))
    return found


# How two versions differ


def differences(old, new):
    """What is otherwise in `new`, in sentences: devices, steps, order, hazards, the rest."""
    return [
        *_about_differences(old, new),
        *_device_differences(old, new),
        *_step_differences(old, new),
        *_hazard_differences(old, new),
        *_struck_differences(old, new),
    ]


def _about_differences(old, new):
    if old.get("name") != new.get("name"):
        yield f"Name: “{old.get('name', '')}” became “{new.get('name', '')}”."
    if old.get("source") != new.get("source"):
        yield f"Source: “{old.get('source', '')}” became “{new.get('source', '')}”."
    before, after = old.get("cautions") or [], new.get("cautions") or []
    yield from (f"Caution gone: {row}" for row in before if row not in after)
    yield from (f"Caution added: {row}" for row in after if row not in before)


def _device_differences(old, new):
    before, after = old["devices"], new["devices"]
    yield from (f"Device gone: {word(name)}." for name in before if name not in after)
    for name, listed in after.items():
        if name not in before:
            yield f"New device: {word(name)} ({', '.join(map(word, listed))})."
            continue
        gone = [word(state) for state in before[name] if state not in listed]
        came = [word(state) for state in listed if state not in before[name]]
        if gone:
            yield f"{word(name).capitalize()} can no longer be {' or '.join(gone)}."
        if came:
            yield f"{word(name).capitalize()} can now be {' or '.join(came)}."
        if old["start"].get(name) != new["start"].get(name):
            was, now = word(old["start"].get(name)), word(new["start"].get(name))
            yield f"{word(name).capitalize()} starts {now}, not {was}."
        rest_before, rest_after = _rest(old, name), _rest(new, name)
        if rest_before != rest_after:
            yield f"At rest: {word(name)} {rest_after}, not {rest_before}."


def _rest(document, name):
    given = document.get("rest", {}).get(name)
    return "in any state" if given is None else states(given)


def _step_differences(old, new):
    before = {row["id"]: row for row in old["steps"]}
    after = {row["id"]: row for row in new["steps"]}
    yield from (
        f"Step gone: {sentence_of(row)}" for name, row in before.items() if name not in after
    )
    for name, row in after.items():
        if name not in before:
            needs = condition(row.get("requires"))
            yield f"New {row.get('kind', 'step')}: {sentence_of(row)}" + (
                f" Needs {needs}." if needs else ""
            )
        else:
            yield from _row_differences(before[name], row)
    kept_before = [name for name in before if name in after]
    kept_after = [name for name in after if name in before]
    yield from (f"Moved: {sentence_of(after[name])}" for name in _moved(kept_before, kept_after))


def _moved(before, after):
    """The fewest names that have to move for one order to become the other."""
    place = {name: n for n, name in enumerate(before)}
    longest, last = [], []  # longest run that kept its order, by what it ends with
    for name in after:
        best = max(
            (run for run, end in zip(longest, last, strict=True) if end < place[name]),
            key=len,
            default=[],
        )
        longest.append([*best, name])
        last.append(place[name])
    stay = set(max(longest, key=len, default=[]))
    return [name for name in after if name not in stay]


LISTS = {"asks": "asks for", "gates": "waits for", "marks": "brings about"}


def _row_differences(old, new):
    says = sentence_of(new)
    for key, what in (("says", "Sentence"), ("why", "Reason"), ("caution", "Caution")):
        if (old.get(key) or "") != (new.get(key) or ""):
            yield f"{what} of “{says}”: was “{old.get(key) or 'empty'}”."
    if old.get("kind", "step") != new.get("kind", "step"):
        yield f"“{says}” is now {_a(new)}, not {_a(old)}."
    yield from _needs_differences(says, old.get("requires") or {}, new.get("requires") or {})
    before, after = old.get("sets") or {}, new.get("sets") or {}
    for device in {**before, **after}:
        if before.get(device) != after.get(device):
            now = word(after[device]) if device in after else "as it was"
            yield f"“{says}” leaves {word(device)} {now}" + (
                f", not {word(before[device])}." if device in before else "."
            )
    for key, what in LISTS.items():
        was, now = _listed(old.get(key)), _listed(new.get(key))
        yield from (f"“{says}” no longer {what} {word(row)}." for row in was if row not in now)
        yield from (f"“{says}” now {what} {word(row)}." for row in now if row not in was)


def _a(row):
    kind = row.get("kind", "step")
    return f"an {kind}" if kind == "event" else f"a {kind}"


def _listed(given):
    return [given] if isinstance(given, str) else list(given or [])


def _needs_differences(says, before, after):
    for device in {**before, **after}:
        if device not in after:
            yield f"“{says}” no longer needs {word(device)} {states(before[device])}."
        elif device not in before:
            yield f"“{says}” now needs {word(device)} {states(after[device])}."
        elif set(_listed(before[device])) != set(_listed(after[device])):
            now, was = states(after[device]), states(before[device])
            yield f"“{says}” needs {word(device)} {now}, not {was}."


def _hazard_differences(old, new):
    before = {row["id"]: row for row in old.get("never", [])}
    after = {row["id"]: row for row in new.get("never", [])}
    for name, row in before.items():
        if name not in after:
            yield f"Hazard no longer excluded: {shipped.says_of(row)}"
    for name, row in after.items():
        if name not in before:
            yield f"Hazard now excluded: {shipped.says_of(row)} ({condition(row['when'])})"
        elif _plain(before[name]["when"]) != _plain(row["when"]):
            yield (
                f"Hazard “{shipped.says_of(row)}” is now {condition(row['when'])}; "
                f"it was {condition(before[name]['when'])}."
            )
        elif shipped.says_of(before[name]) != shipped.says_of(row):
            yield f"Hazard reads now: {shipped.says_of(row)}"


def _plain(when):
    return {device: sorted(_listed(listed)) for device, listed in when.items()}


def _struck_differences(old, new):
    before, after = old.get("struck_out") or {}, new.get("struck_out") or {}
    for name in after:
        if name not in before:
            yield f"Struck out: {shipped.says_of({'id': name})} {_reason(after[name])}"
        elif _reason(after[name]) != _reason(before[name]):
            yield f"Struck out for another reason: {shipped.says_of({'id': name})} {_reason(after[name])}"
    yield from (
        f"No longer struck out: {shipped.says_of({'id': name})}"
        for name in before
        if name not in after
    )


def _reason(row):
    return str(row.get("reason", "")) if isinstance(row, dict) else str(row)
