"""Heights on a holder: where the stage focuses, and how far up it may ever go.

Heights are in mm above the bare holder face; readings are those of the stage's own readout. The
limit checks typing: set the stage's own soft limit too.
"""

import math
from dataclasses import dataclass
from itertools import combinations

from samples.geometry import gap
from samples.layout import DISC, shipped_limits

TAPE = "tape"
ROUNDING = 1e-6
"""Part of a readout step below which a reading counts as exact, so that 25.92 stays 25.92."""


# Single numbers


def z_focus(*, z_ref, height, readout_sign=1):
    """Reading at which a face of this height lies in the focal plane.

    Takes:   z_ref, reading with the bare holder face in the focal plane [mm]; height, of the
             sample's face above the holder face, tape and all [mm]; readout_sign, 1 where the
             reading grows as the stage goes up, -1 where it falls.
    Returns: reading [mm].
    Source:  geometry: the stage goes down by the height.
    >>> round(z_focus(z_ref=20.0, height=0.58), 9), round(z_focus(z_ref=20.0, height=0.58, readout_sign=-1), 9)
    (19.42, 20.58)
    """
    return z_ref - readout_sign * height


def z_max(*, z_ref, free_distance, margin, height, readout_sign=1, step=0.01):
    """The highest reading the stage may be driven to, rounded to the safe side.

    Takes:   z_ref [mm]; free_distance, from the focal plane to an obstacle [mm]; margin to keep
             [mm]; height, of the highest thing on the holder [mm]; readout_sign, 1 or -1; step of
             the readout [mm].
    Returns: reading [mm], a whole number of steps; where the sign is -1 the lowest safe one.
    Raises:  ValueError unless step is above zero.
    Source:  geometry: Z_ref + W - s - h_max.
    >>> z_max(z_ref=20.0, free_distance=8.0, margin=1.5, height=0.58)
    25.92
    """
    if not step > 0:
        raise ValueError(f"step of the readout is {step} mm; it must be above zero")
    rise = free_distance - margin - height
    steps = (readout_sign * z_ref + rise) / step
    return round(readout_sign * math.floor(steps + ROUNDING) * step, 9)


def tilted_height(*, reach, height, axis, tilt_deg):
    """How high the holder comes when it is tilted.

    Takes:   reach, from the tilt axis to the far edge of holder, clip or stage on the rising side
             [mm]; height, of the highest thing on it [mm]; axis, height of the tilt axis above the
             holder face [mm]; tilt_deg, either way.
    Returns: height above the untilted holder face [mm].
    Raises:  ValueError for a tilt beyond 90 degrees or a reach below zero.
    Source:  geometry: a point at the reach, turned about the axis. The highest thing is taken to
             stand at the far edge, which is the safe side.
    >>> round(tilted_height(reach=12.7, height=2.08, axis=0.0, tilt_deg=45), 2)
    10.45
    """
    if abs(tilt_deg) > 90 or reach < 0:
        raise ValueError(
            f"tilt ({tilt_deg} deg) must be within 90 and reach ({reach} mm) not below 0"
        )
    tilt = math.radians(abs(tilt_deg))
    return reach * math.sin(tilt) + (height - axis) * math.cos(tilt) + axis


def largest_tilt(*, reach, height, axis, limit):
    """The largest tilt up to which the holder stays at or below a height, rounded down to 0.1 deg.

    Takes:   reach, height, axis as in tilted_height [mm]; limit, the height that is free [mm].
    Returns: tilt [deg] from 0 to 90, or None where it is too high even flat.
    Source:  tilted_height solved for the tilt: a + R sin(tilt + f) = limit, R = hypot(r, t - a),
             f = atan2(t - a, r).
    >>> largest_tilt(reach=12.7, height=2.08, axis=0.0, limit=6.5)
    21.0
    """
    if height > limit:
        return None
    radius, lead = math.hypot(reach, height - axis), math.atan2(height - axis, reach)
    if limit - axis >= radius:
        return 90.0
    tilt = math.degrees(math.asin((limit - axis) / radius) - lead)
    return min(math.floor(10 * tilt + ROUNDING) / 10, 90.0)


def shadow_length(*, step, elevation_deg):
    """How far a step shades the surface behind it.

    Takes:   step [mm]; elevation_deg of the source above the surface, above 0, at most 90.
    Returns: length [mm].
    Source:  geometry: step / tan(elevation).
    >>> round(shadow_length(step=2.0, elevation_deg=35.3), 1)
    2.8
    """
    return step / math.tan(_elevation(elevation_deg))


def beam_shift(*, rise, elevation_deg):
    """How far the beam wanders over the surface when the height is wrong by `rise` [mm].

    Source:  geometry: rise / tan(elevation), as a shadow.
    >>> round(beam_shift(rise=0.1, elevation_deg=45), 2)
    0.1
    """
    return shadow_length(step=rise, elevation_deg=elevation_deg)


def focus_tolerance(*, spot_um, elevation_deg):
    """Height error that moves the beam by half its spot.

    Takes:   spot_um, width of the spot [µm]; elevation_deg of the source above the surface.
    Returns: height [µm].
    Source:  geometry: 0.5 spot tan(elevation).
    >>> round(focus_tolerance(spot_um=100, elevation_deg=35.3))
    35
    """
    return 0.5 * spot_um * math.tan(_elevation(elevation_deg))


def beam_footprint(*, width_um, elevation_deg):
    """Length of the patch that a beam of this width lights up on a flat sample [µm].

    Source:  geometry: width / sin(elevation).
    >>> round(beam_footprint(width_um=100, elevation_deg=35.3))
    173
    """
    return width_um / math.sin(_elevation(elevation_deg))


def _elevation(elevation_deg):
    if not 0 < elevation_deg <= 90:
        raise ValueError(f"elevation is {elevation_deg} deg; it must be above 0 and at most 90")
    return math.radians(elevation_deg)


# One measurement and a go/no-go gauge


@dataclass(frozen=True, slots=True)
class Gauged:
    """What a measurement and a gauge say together: agree, measure again, or stop.

    `height_mm` is what counts for the limit; None as long as it is not known.
    """

    verdict: str
    height_mm: float | None
    says: str


def gauged(*, measured_mm, gauge_mm, passes):
    """A measured height and a go/no-go gauge; the larger counts.

    Takes:   measured_mm, the tallest point as measured; gauge_mm, the gauge's opening; passes,
             whether the holder goes under it.
    Returns: Gauged. Passing proves no more than the opening, so the opening is what counts: a
             slip of the finger in the measurement cannot reach the analyser.
    Source:  own proposal.
    >>> gauged(measured_mm=0.5, gauge_mm=3.0, passes=True).height_mm
    3.0
    >>> gauged(measured_mm=0.5, gauge_mm=3.0, passes=False).verdict
    'stop'
    """
    if not passes:
        return Gauged(
            "stop",
            None,
            f"The holder does not pass under the {gauge_mm:g} mm gauge, though {measured_mm:g} mm "
            f"was measured. Measure the tallest point again and use the next gauge."
            if measured_mm <= gauge_mm
            else f"The tallest point, {measured_mm:g} mm, does not pass under the {gauge_mm:g} mm "
            f"gauge. Lower it, or use the next gauge.",
        )
    if measured_mm > gauge_mm:
        return Gauged(
            "measure again",
            measured_mm,
            f"{measured_mm:g} mm was measured, yet the holder passes under the {gauge_mm:g} mm "
            f"gauge. Measure again; until then {measured_mm:g} mm counts.",
        )
    return Gauged("agree", gauge_mm, f"Passes under the {gauge_mm:g} mm gauge, which counts.")


# A whole layout


@dataclass(frozen=True, slots=True)
class Heights:
    """Readings of a layout, each None where an input for it is missing.

    `nearest` is the obstacle that decides, `tallest` the mount; `formula` shows the limit with
    its numbers.
    """

    focus_mm: dict
    max_mm: float | None
    tallest: str | None
    height_mm: float | None
    nearest: str | None
    formula: str


def face_height(mount, instrument):
    """Height of a sample's face above the holder face [mm], or None where an input is missing.

    What lies under it adds up: tape, then each part of its stack, then the sample. The tape
    counts where the mounting is a tape, and where no mounting is named, which is the safe side.
    """
    if mount.thickness_mm is None or instrument is None:
        return None
    taped = mount.mounting is None or TAPE in mount.mounting.lower()
    if taped and instrument.tape_mm is None:
        return None
    return mount.thickness_mm + sum(mount.stack_mm) + (instrument.tape_mm if taped else 0.0)


def heights(layout):
    """Focus of every mount and the limit of the whole holder, where their inputs are there.

    >>> from samples.layout import read_layout
    >>> at = {"shape": "disc", "diameter_mm": 5, "x_mm": 0, "y_mm": 0}
    >>> layout = read_layout({"holder": {"shape": "disc", "diameter_mm": 25.4},
    ...     "instrument": {"z_ref_mm": 20, "free_distance_mm": 8, "margin_mm": 1.5, "tape_mm": 0.08},
    ...     "mounts": [{"id": "a", "footprint": at, "thickness_mm": 0.5, "mounting": "copper tape"}]})
    >>> heights(layout).focus_mm, heights(layout).formula
    ({'a': 19.42}, '20 + 8 − 1.5 − 0.58 = 25.92')
    """
    instrument = layout.instrument
    faces = {mount.id: face_height(mount, instrument) for mount in layout.mounts}
    tops = {mount.id: _top(mount, faces[mount.id]) for mount in layout.mounts}
    focus = {id_: _focus(instrument, face) for id_, face in faces.items()}
    unknown = Heights(focus, None, None, None, None, "")
    if instrument is None or None in tops.values():
        return unknown
    tallest = max(tops, key=tops.get, default=None)
    flat = tops[tallest] if tallest is not None else 0.0
    height = _with_tilt(layout, flat)
    needed = (instrument.z_ref_mm, instrument.margin_mm, height)
    if None in needed or not instrument.free_distance_mm:
        return Heights(focus, None, tallest, height, None, "")
    nearest = min(instrument.free_distance_mm, key=instrument.free_distance_mm.get)
    free = instrument.free_distance_mm[nearest]
    limit = z_max(
        z_ref=instrument.z_ref_mm,
        free_distance=free,
        margin=instrument.margin_mm,
        height=height,
        readout_sign=instrument.readout_sign,
        step=instrument.readout_step_mm or shipped_limits()["readout_step_mm"].value,
    )
    formula = _formula(instrument, free, height, limit)
    return Heights(focus, limit, tallest, height, nearest, formula)


def shadows(layout):
    """HGT-04, pairs in which the taller may shade the lower: (taller, lower, step, shadow, gap).

    Which way the source looks is not known, so any neighbour nearer than its shadow counts;
    lengths in mm. Empty where the source's elevation or the heights are missing.
    """
    if layout.instrument is None or layout.instrument.source_elevation_deg is None:
        return []
    elevation, found = layout.instrument.source_elevation_deg, []
    for pair in combinations(layout.mounts, 2):
        faces = [face_height(mount, layout.instrument) for mount in pair]
        if None in faces or faces[0] == faces[1]:
            continue
        lower, taller = (pair[n] for n in sorted((0, 1), key=lambda n: faces[n]))
        step = abs(faces[0] - faces[1])
        shadow = shadow_length(step=step, elevation_deg=elevation)
        distance = gap(taller.footprint, lower.footprint)
        if distance < shadow:
            found.append((taller.id, lower.id, step, shadow, distance))
    return found


def _top(mount, face):
    """The highest point of a mount: its face or its clip."""
    return None if face is None else max(face, mount.clip_mm or 0.0)


def _focus(instrument, face):
    if face is None or instrument.z_ref_mm is None:
        return None
    sign = instrument.readout_sign
    return round(z_focus(z_ref=instrument.z_ref_mm, height=face, readout_sign=sign), 6)


def _with_tilt(layout, flat):
    """Height with the instrument's tilt, None where the height of the tilt axis is missing."""
    instrument, holder = layout.instrument, layout.holder
    if not instrument.tilt_deg:
        return flat
    if instrument.tilt_axis_mm is None:
        return None
    reach = (
        holder.diameter_mm / 2
        if holder.shape == DISC
        else math.hypot(holder.width_mm, holder.height_mm) / 2
    )
    return _highest_on_the_way(reach, flat, instrument.tilt_axis_mm, abs(instrument.tilt_deg))


def _highest_on_the_way(reach, height, axis, tilt_deg):
    """The greatest height on the way from flat to the tilt: past the top it falls again."""
    top_deg = min(90 - math.degrees(math.atan2(height - axis, reach)), tilt_deg)
    on_the_way = (0.0, max(top_deg, 0.0), tilt_deg)
    return max(
        tilted_height(reach=reach, height=height, axis=axis, tilt_deg=each) for each in on_the_way
    )


def _formula(instrument, free, height, limit):
    signs = ("+", "−", "−") if instrument.readout_sign == 1 else ("−", "+", "+")
    numbers = (free, instrument.margin_mm, height)
    terms = "".join(f" {sign} {number:.4g}" for sign, number in zip(signs, numbers, strict=True))
    return f"{instrument.z_ref_mm:g}{terms} = {limit:g}"
