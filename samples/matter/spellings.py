"""One spelling for the signs that chemists write in many ways."""

import re

MINUS = "-"

_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉₊₋ₓₙ", "0123456789+-xn")
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "0123456789+-")
_SPELLINGS = {
    **dict.fromkeys("•∙⋅・∗×", "·"),
    **dict.fromkeys("−–—‐‑", MINUS),
    **dict.fromkeys("\t\n\r\u00a0\u2009\u202f", " "),
    "½": "0.5",
    "¼": "0.25",
    "¾": "0.75",
    "％": "%",
    "Δ": "δ",
    "𝑥": "x",
}
_WATER = re.compile(
    r"(?<=[\d)\]}A-Za-z])(?<!\b0)\.(?P<n>\d+(?:\.\d+)?|[xn])?(?=[HD]2O(?![a-z0-9]))"
)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")


def tidy(text):
    """One spelling for signs that chemists write in many ways, with each one's place in `text`."""
    signs, origin = [], []

    def put(char, place):
        signs.append(char)
        origin.append(place)

    raised = False
    for place, char in enumerate(text):
        lowered, lifted = char.translate(_SUBSCRIPTS), char.translate(_SUPERSCRIPTS)
        if lifted != char:
            if not raised:
                put("^", place)
            put(lifted, place)
        elif lowered != char:
            put(lowered, place)
        else:
            for spelled in _SPELLINGS.get(char, char):
                put(spelled, place)
        raised = lifted != char
    clean = _DECIMAL_COMMA.sub(".", "".join(signs))
    clean = _WATER.sub(lambda dot: "·" + (dot.group("n") or ""), clean)
    end = len(clean.rstrip())
    return clean[:end], origin[: max(end, 1)] or [0]
