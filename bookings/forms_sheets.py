"""Forms of the run sheet editor: one step, device or hazard at a time; what was typed is kept."""

from django import forms

from facility import drafting, shipped
from facility.sheet_words import word


def _text(label, most, *, required=False, rows=0, help_text=""):
    widget = forms.Textarea(attrs={"rows": rows}) if rows else forms.TextInput()
    return forms.CharField(
        label=label,
        max_length=most,
        required=required,
        widget=widget,
        help_text=help_text,
        error_messages={
            "required": f"Enter the {label.lower()}.",
            "max_length": f"{label} has at most {most} letters.",
        },
    )


def _states(states, label):
    """Checkboxes of a device's states."""
    return forms.MultipleChoiceField(
        label=label,
        choices=[(state, word(state)) for state in states],
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )


def _words(text):
    """Comma-separated words, empty ones left out."""
    return [part.strip() for part in text.split(",") if part.strip()]


def _say_what_to_choose(form):
    """Choices say what to do, whichever field they are of."""
    for field in form.fields.values():
        if isinstance(field, forms.ChoiceField):
            field.error_messages["invalid_choice"] = (
                f"{field.label}: choose one of the list; what was sent is not in it."
            )


class SheetStepForm(forms.Form):
    """A step: its sentence and reason, what it needs, what it leaves behind, where it stands."""

    says = _text("Sentence", 300, required=True, rows=2, help_text="what to do, in one sentence")
    why = _text("Reason", 300, rows=2, help_text="what goes wrong otherwise")
    caution = _text("Caution", 300, help_text="where somebody could get hurt")
    kind = forms.ChoiceField(
        label="Kind",
        choices=[
            ("step", "step: something to do"),
            ("look", "look: confirms where an unknown device stands"),
            ("event", "event: the world does it"),
        ],
    )
    after = forms.ChoiceField(label="Stands after", required=False)
    asks = _text("Asks for", 200, help_text="such as: introduction pressure, holder")
    gates = forms.MultipleChoiceField(
        label="Waits for", required=False, widget=forms.CheckboxSelectMultiple
    )
    marks = forms.MultipleChoiceField(
        label="Brings about",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        choices=list(shipped.MARKS.items()),
    )

    def __init__(self, *args, document, row=None, **kwargs):
        self.document, self.row = document, row or {}
        super().__init__(*args, **kwargs)
        rows = [other for other in document["steps"] if other["id"] != self.row.get("id")]
        self.fields["after"].choices = [
            ("=", "where it is" if row else "at the end of its kind"),
            ("", "nothing: it is the first"),
            *[(other["id"], other.get("says") or word(other["id"])) for other in rows],
        ]
        known = {name: f"{word(name)}: {says}" for name, says in shipped.gates().items()}
        own = {name: word(name) for name in self._listed("gates") if name not in known}
        self.fields["gates"].choices = list((known | own).items())
        for device, states in document["devices"].items():
            self.fields[f"needs:{device}"] = _states(states, f"{word(device)} must be")
            self.fields[f"sets:{device}"] = forms.ChoiceField(
                label=f"{word(device)} is then",
                required=False,
                choices=[("", "as it was"), *[(state, word(state)) for state in states]],
            )
        self.initial = self._as_it_is() | self.initial
        _say_what_to_choose(self)

    def _listed(self, key):
        given = self.row.get(key) or []
        return [given] if isinstance(given, str) else list(given)

    def _as_it_is(self):
        row = self.row
        first = {key: row.get(key, "") for key in ("says", "why", "caution")}
        first |= {"kind": row.get("kind", "step"), "after": "="}
        first |= {"asks": ", ".join(self._listed("asks"))}
        first |= {"gates": self._listed("gates"), "marks": self._listed("marks")}
        for device, states in (row.get("requires") or {}).items():
            first[f"needs:{device}"] = [states] if isinstance(states, str) else states
        for device, state in (row.get("sets") or {}).items():
            first[f"sets:{device}"] = state
        return first

    @property
    def device_rows(self):
        """(device in words, its conditions, its effect) for the table of the page."""
        return [
            (word(device), self[f"needs:{device}"], self[f"sets:{device}"])
            for device in self.document["devices"]
        ]

    @property
    def after_choice(self):
        chosen = self.cleaned_data["after"]
        return None if chosen == "=" else chosen

    def as_row(self):
        """The step as the document has it; keys that the form does not show stay."""
        data = self.cleaned_data
        taken = {row["id"] for row in self.document["steps"]}
        row = dict(self.row) or {"id": drafting.id_from(data["says"], taken)}
        for key in ("says", "why", "caution", "asks", "gates", "marks", "requires", "sets", "kind"):
            row.pop(key, None)
        row["says"] = data["says"]
        row |= {key: data[key] for key in ("why", "caution") if data[key]}
        if data["kind"] != "step":
            row["kind"] = data["kind"]
        needs = {d: data[f"needs:{d}"] for d in self.document["devices"] if data[f"needs:{d}"]}
        sets = {d: data[f"sets:{d}"] for d in self.document["devices"] if data[f"sets:{d}"]}
        row |= {"requires": needs} if needs else {}
        row |= {"sets": sets} if sets else {}
        row |= {"asks": _words(data["asks"])} if _words(data["asks"]) else {}
        return row | {key: data[key] for key in ("gates", "marks") if data[key]}


class SheetDeviceForm(forms.Form):
    """A device: its states, how it stands at the start, what counts as rest."""

    name = forms.RegexField(
        r"^[a-z][a-z0-9_ ]*$",
        label="Name",
        max_length=40,
        help_text="small letters, such as: gate valve",
        error_messages={
            "required": "Enter the name of the device.",
            "invalid": "Name has small letters, figures and spaces, such as gate valve.",
        },
    )
    states = _text("States", 300, required=True, help_text="such as: closed, open, unknown")
    start = forms.CharField(
        label="At the start",
        max_length=40,
        error_messages={"required": "Say how it stands at the start."},
    )
    rest = _text("At rest", 300, help_text="the states that count as rest; empty: any")

    def __init__(self, *args, document, name=None, **kwargs):
        super().__init__(*args, **kwargs)
        if name is not None:
            del self.fields["name"]
            row = drafting.part_of(document, ("device", name))
            rest = row["rest"] or []
            self.initial = {
                "states": ", ".join(row["states"]),
                "start": row["start"],
                "rest": ", ".join([rest] if isinstance(rest, str) else rest),
            } | self.initial

    def clean(self):
        """States may be typed with spaces; a document keeps them with underscores."""
        data = super().clean()
        for key in ("states", "rest"):
            data[key] = [part.replace(" ", "_") for part in _words(data.get(key, ""))]
        data["start"] = (data.get("start") or "").strip().replace(" ", "_")
        if "name" in data:
            data["name"] = data["name"].strip().replace(" ", "_")
        return data


class SheetHazardForm(forms.Form):
    """A hazard: the device states that must never come together, and what breaks then."""

    says = _text("Sentence", 300, required=True, rows=2, help_text="what must never be so")
    why = _text("What breaks then", 300, required=True, rows=2)

    def __init__(self, *args, document, row=None, **kwargs):
        self.document, self.row = document, row or {}
        super().__init__(*args, **kwargs)
        for device, states in document["devices"].items():
            self.fields[f"when:{device}"] = _states(states, word(device))
        first = {"why": self.row.get("why", "")}
        if row:
            first["says"] = shipped.says_of(row)
        for device, states in (self.row.get("when") or {}).items():
            first[f"when:{device}"] = [states] if isinstance(states, str) else states
        self.initial = first | self.initial
        _say_what_to_choose(self)

    @property
    def device_rows(self):
        return [(word(device), self[f"when:{device}"]) for device in self.document["devices"]]

    def clean(self):
        data = super().clean()
        data["when"] = {d: data.get(f"when:{d}") for d in self.document["devices"]}
        data["when"] = {device: states for device, states in data["when"].items() if states}
        if not data["when"]:
            raise forms.ValidationError("Tick the device states that must never come together.")
        return data

    def as_row(self):
        data = self.cleaned_data
        taken = {row["id"] for row in self.document.get("never", [])}
        row_id = self.row.get("id") or drafting.id_from(data["says"], taken)
        return dict(self.row) | {
            "id": row_id,
            "says": data["says"],
            "why": data["why"],
            "when": data["when"],
        }


class SheetAboutForm(forms.Form):
    """What the sheet is called, where it comes from, what to be careful with."""

    name = _text("Name", 80, required=True)
    source = _text("Source", 400, rows=2, help_text="manual, local rule, or common practice")
    cautions = _text("Cautions", 4000, rows=5, help_text="one a line")

    def __init__(self, *args, document, **kwargs):
        super().__init__(*args, **kwargs)
        self.initial = {
            "name": document.get("name", ""),
            "source": document.get("source", ""),
            "cautions": "\n".join(document.get("cautions") or []),
        } | self.initial

    def values(self):
        data = self.cleaned_data
        lines = [line.strip() for line in data["cautions"].splitlines() if line.strip()]
        return {"name": data["name"], "source": data["source"], "cautions": lines}


class SheetTextForm(forms.Form):
    """The whole document as text, for people who read JSON."""

    text = forms.CharField(
        label="The sheet as JSON",
        widget=forms.Textarea(attrs={"rows": 24, "spellcheck": "false"}),
        error_messages={"required": "Paste the sheet as JSON."},
        strip=False,
    )
