"""Prove a run sheet: `manage.py prove FILE [--from gate_valve=open,arm=in] [--conditions] [--json]`."""

import json
import sys
from pathlib import Path

from django.core.management.base import BaseCommand

from facility import interlocks


class Command(BaseCommand):
    help = "Say whether any order of the steps of a run sheet reaches a hazard, and by which steps."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("file", help="the run sheet, a JSON document")
        parser.add_argument(
            "--from", dest="changes", default="", help="devices changed at the start: arm=in,..."
        )
        parser.add_argument(
            "--conditions", action="store_true", help="say which hazards each condition keeps away"
        )
        parser.add_argument("--json", action="store_true", help="print one JSON document")

    def handle(self, *, file, changes, conditions, **options):
        try:
            sheet = interlocks.read_text(Path(file).read_text(encoding="utf-8-sig"))
            start = interlocks.read_changes(changes)
            proof = interlocks.prove(sheet, start, conditions=conditions)
        except OSError as problem:
            self.refuse(f"{file} cannot be read: {problem.strerror}.")
        except UnicodeDecodeError:
            self.refuse(f"{file} is not text in UTF-8.")
        except interlocks.SheetRefused as refusal:
            self.refuse(str(refusal))
        if options["json"]:
            self.stdout.write(json.dumps(as_json(proof), indent=2))
        else:
            self.stdout.write("\n".join(in_words(sheet, proof)))
        if not proof.safe:
            sys.exit(1)

    def refuse(self, sentence):
        self.stderr.write(sentence, self.style.NOTICE)
        sys.exit(2)


def as_json(proof):
    """The proof as the outside contract has it."""
    document = {
        "safe": proof.safe,
        "hazards": [{"id": name, "trace": list(trace)} for name, trace in proof.hazards.items()],
        "states": proof.states,
        "never_possible": list(proof.never_possible),
        "states_with_no_way_to_rest": proof.states_with_no_way_to_rest,
        "listed_order_works": proof.listed_order_works,
        "listed_order_fails_at": proof.listed_order_fails_at,
    }
    if proof.conditions is not None:
        document["conditions"] = [
            {"step": step, "device": device, "guards": list(guards)}
            for step, device, guards in proof.conditions
        ]
    return document


def in_words(sheet, proof):
    """The proof for people, line by line: the verdict first, then what to look at."""
    yield from _verdict(sheet, proof)
    if proof.listed_order_works:
        yield "The listed order works."
    else:
        words = sheet.step_of[proof.listed_order_fails_at].words
        yield f"The listed order stops at {proof.listed_order_fails_at}: {words}"
    if proof.states_with_no_way_to_rest:
        yield f"From {proof.states_with_no_way_to_rest:,} states no way leads to rest."
    else:
        yield "From every state some way leads to rest."
    if proof.never_possible:
        yield f"Never possible: {', '.join(proof.never_possible)}."
    for step, device, guards in proof.conditions or ():
        keeps = f"keeps away {', '.join(guards)}" if guards else "is not needed"
        yield f"{step} needs {device.replace('_', ' ')}: {keeps}."


def _verdict(sheet, proof):
    count = f"{proof.states:,} state{'s' if proof.states != 1 else ''}"
    if proof.safe:
        number = len(sheet.never)
        yield f"Safe against {number} hazard{'s' if number != 1 else ''} in {count}."
        return
    yield f"Not safe: {len(proof.hazards)} of {len(sheet.never)} hazards can happen, in {count}."
    for hazard in sheet.never:
        if hazard.id in proof.hazards:
            trace = proof.hazards[hazard.id]
            yield f"{hazard.words.capitalize()}: {hazard.why or 'a hazard of this sheet.'}"
            if not trace:
                yield "  It holds at the start already."
            for number, step in enumerate(trace, 1):
                yield f"  {number}. {sheet.step_of[step].words}"
