"""Who stands in the picture: invented people as sets of numbers."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """One invented person. Shape numbers are offsets from the canonical face, 0 is the average."""

    name: str = "woman"
    """Archetype, not a name."""
    seed: int = 0
    """Seeds pores, freckles and strands."""
    age: float = 35.0
    """Years; drives wrinkles, sag and proportions."""
    size: float = 1.0
    """Scale of the whole person against an adult."""
    skin: Colour = (0.84, 0.66, 0.56)
    """sRGB in [0, 1]."""
    lip: Colour = (0.72, 0.42, 0.40)
    """sRGB in [0, 1]."""
    iris: Colour = (0.32, 0.22, 0.14)
    """sRGB in [0, 1]."""
    hair: Colour = (0.22, 0.14, 0.09)
    """sRGB in [0, 1]."""
    hair_style: str = "short"
    """short, crop, bob, long, bun, curls, fringe, receding, ponytail, scarf or cap."""
    grey: float = 0.0
    """Share of grey strands."""
    brow_weight: float = 1.0
    """Density and thickness of the eyebrows."""
    beard: float = 0.0
    """0 none, 0.5 shade, 1 stubble."""
    freckles: float = 0.0
    blush: float = 1.0
    glasses: bool = False
    lashes: float = 1.0
    """Length of the upper lashes against the average."""
    wide: float = 0.0
    long: float = 0.0
    jaw: float = 0.0
    chin: float = 0.0
    cheeks: float = 0.0
    nose_wide: float = 0.0
    nose_long: float = 0.0
    nose_up: float = 0.0
    eyes: float = 0.0
    eyes_apart: float = 0.0
    slant: float = 0.0
    brow_up: float = 0.0
    lips: float = 0.0
    mouth_wide: float = 0.0
    ears: float = 1.0
    neck: float = 1.0
    """Half width of the neck against the average."""
    shoulders: float = 1.0
    collar: str = "crew"
    """crew, vneck, shirt, turtleneck or hood."""
    cloth: Colour = (0.35, 0.42, 0.50)
    """sRGB in [0, 1]."""
    weave: str = "jersey"
    """jersey, knit, stripes or linen."""
    smiles: float = 0.5
    """Temperament: mean of the drawn smile; 0 never smiles."""
    toothy: float = 0.6
    """How readily a smile shows teeth."""


CAST: tuple[Person, ...] = (
    Person(
        name="father",
        age=41,
        skin=(0.82, 0.63, 0.52),
        hair=(0.17, 0.11, 0.075),
        hair_style="short",
        beard=0.85,
        brow_weight=1.35,
        jaw=0.5,
        chin=0.3,
        nose_long=0.25,
        brow_up=-0.35,
        wide=0.1,
        lips=-0.3,
        neck=1.12,
        shoulders=1.12,
        collar="shirt",
        cloth=(0.46, 0.58, 0.70),
        weave="linen",
        smiles=0.5,
        lashes=0.7,
        iris=(0.34, 0.42, 0.36),
        lip=(0.68, 0.44, 0.40),
        grey=0.06,
    ),
    Person(
        name="grandmother",
        age=72,
        skin=(0.88, 0.71, 0.63),
        hair=(0.80, 0.78, 0.75),
        hair_style="bob",
        grey=0.8,
        brow_weight=0.55,
        jaw=-0.1,
        cheeks=0.25,
        nose_long=0.2,
        eyes=-0.15,
        lips=-0.5,
        glasses=True,
        wide=0.1,
        neck=0.92,
        shoulders=0.92,
        collar="vneck",
        cloth=(0.50, 0.30, 0.40),
        weave="knit",
        smiles=0.62,
        iris=(0.36, 0.48, 0.56),
        lip=(0.73, 0.44, 0.43),
        size=0.97,
        lashes=0.7,
    ),
    Person(
        name="aunt",
        age=38,
        skin=(0.62, 0.43, 0.31),
        hair=(0.10, 0.07, 0.05),
        hair_style="scarf",
        brow_weight=1.15,
        eyes=0.3,
        lips=0.35,
        jaw=-0.3,
        cheeks=0.15,
        nose_wide=0.1,
        neck=0.88,
        shoulders=0.9,
        collar="crew",
        cloth=(0.62, 0.36, 0.24),
        weave="linen",
        smiles=0.55,
        lashes=1.2,
        iris=(0.20, 0.12, 0.07),
        lip=(0.56, 0.30, 0.27),
        size=0.98,
    ),
    Person(
        name="grandfather",
        age=69,
        skin=(0.80, 0.60, 0.50),
        hair=(0.72, 0.71, 0.69),
        hair_style="receding",
        grey=0.7,
        brow_weight=1.0,
        beard=0.45,
        jaw=0.25,
        chin=-0.1,
        nose_wide=0.35,
        nose_long=0.4,
        ears=1.15,
        brow_up=-0.3,
        lips=-0.6,
        wide=0.15,
        neck=1.08,
        shoulders=1.05,
        collar="turtleneck",
        cloth=(0.30, 0.33, 0.27),
        weave="knit",
        smiles=0.0,
        toothy=0.0,
        iris=(0.30, 0.38, 0.46),
        lip=(0.64, 0.42, 0.39),
        lashes=0.6,
    ),
    Person(
        name="mother",
        age=36,
        skin=(0.86, 0.67, 0.56),
        hair=(0.36, 0.20, 0.11),
        hair_style="long",
        eyes=0.3,
        jaw=-0.35,
        chin=-0.1,
        lips=0.25,
        cheeks=0.1,
        nose_wide=-0.3,
        neck=0.86,
        shoulders=0.88,
        collar="crew",
        cloth=(0.80, 0.76, 0.68),
        weave="jersey",
        smiles=0.66,
        lashes=1.15,
        iris=(0.28, 0.36, 0.24),
        lip=(0.76, 0.42, 0.42),
        size=0.97,
        brow_weight=0.85,
        freckles=0.25,
    ),
    Person(
        name="boy",
        age=8,
        skin=(0.89, 0.71, 0.60),
        hair=(0.62, 0.43, 0.24),
        hair_style="fringe",
        eyes=0.5,
        freckles=0.8,
        cheeks=0.55,
        nose_up=0.5,
        nose_long=-0.6,
        nose_wide=-0.05,
        jaw=-0.35,
        chin=-0.5,
        long=-0.55,
        lips=0.1,
        brow_up=0.2,
        neck=0.76,
        shoulders=0.68,
        collar="crew",
        cloth=(0.72, 0.30, 0.22),
        weave="stripes",
        smiles=0.7,
        lashes=0.9,
        iris=(0.30, 0.44, 0.58),
        lip=(0.80, 0.48, 0.46),
        size=0.88,
        brow_weight=0.6,
        mouth_wide=-0.2,
        blush=1.15,
        ears=1.05,
    ),
    Person(
        name="teenager",
        age=16,
        skin=(0.42, 0.27, 0.19),
        hair=(0.065, 0.045, 0.035),
        hair_style="curls",
        eyes=0.2,
        nose_wide=0.55,
        nose_long=-0.1,
        lips=0.75,
        jaw=0.0,
        cheeks=0.1,
        brow_weight=1.1,
        neck=0.95,
        shoulders=0.95,
        collar="hood",
        cloth=(0.72, 0.63, 0.34),
        weave="jersey",
        smiles=0.5,
        lashes=1.0,
        iris=(0.15, 0.09, 0.055),
        lip=(0.44, 0.24, 0.22),
        toothy=0.8,
        size=0.96,
    ),
    Person(
        name="girl",
        age=13,
        skin=(0.85, 0.68, 0.53),
        hair=(0.075, 0.06, 0.055),
        hair_style="ponytail",
        eyes=0.2,
        slant=0.3,
        cheeks=0.35,
        nose_up=0.15,
        nose_long=-0.4,
        nose_wide=0.1,
        jaw=-0.25,
        chin=-0.25,
        long=-0.2,
        lips=0.15,
        neck=0.8,
        shoulders=0.8,
        collar="crew",
        cloth=(0.27, 0.45, 0.46),
        weave="jersey",
        smiles=0.5,
        lashes=0.9,
        iris=(0.17, 0.11, 0.07),
        lip=(0.76, 0.45, 0.43),
        size=0.93,
        brow_weight=0.8,
        toothy=0.7,
    ),
    Person(
        name="uncle",
        age=47,
        skin=(0.55, 0.37, 0.27),
        hair=(0.09, 0.07, 0.06),
        hair_style="crop",
        beard=1.0,
        brow_weight=1.3,
        jaw=0.4,
        wide=0.25,
        nose_wide=0.3,
        cheeks=0.2,
        neck=1.15,
        shoulders=1.12,
        collar="shirt",
        cloth=(0.83, 0.82, 0.79),
        weave="linen",
        smiles=0.45,
        lashes=0.8,
        iris=(0.18, 0.11, 0.06),
        grey=0.15,
        lip=(0.52, 0.31, 0.28),
        glasses=True,
        lips=0.1,
    ),
    Person(
        name="cousin",
        age=24,
        skin=(0.89, 0.72, 0.63),
        hair=(0.52, 0.22, 0.10),
        hair_style="bun",
        freckles=1.0,
        eyes=0.25,
        jaw=-0.25,
        long=0.15,
        nose_wide=-0.25,
        nose_up=0.2,
        lips=0.1,
        neck=0.84,
        shoulders=0.86,
        collar="vneck",
        cloth=(0.22, 0.30, 0.40),
        weave="jersey",
        smiles=0.6,
        lashes=0.95,
        iris=(0.30, 0.46, 0.40),
        lip=(0.78, 0.45, 0.42),
        size=0.96,
        brow_weight=0.7,
    ),
    Person(
        name="niece",
        age=10,
        skin=(0.50, 0.33, 0.23),
        hair=(0.08, 0.055, 0.04),
        hair_style="cap",
        eyes=0.45,
        cheeks=0.5,
        nose_long=-0.5,
        nose_wide=0.3,
        nose_up=0.2,
        jaw=-0.3,
        chin=-0.4,
        long=-0.45,
        lips=0.45,
        neck=0.76,
        shoulders=0.7,
        collar="turtleneck",
        cloth=(0.60, 0.58, 0.66),
        weave="knit",
        smiles=0.65,
        lashes=1.1,
        iris=(0.17, 0.10, 0.06),
        lip=(0.55, 0.31, 0.29),
        size=0.89,
        brow_weight=0.8,
        mouth_wide=-0.1,
    ),
)

SHAPES = (
    "wide",
    "long",
    "jaw",
    "chin",
    "cheeks",
    "nose_wide",
    "nose_long",
    "nose_up",
    "eyes",
    "eyes_apart",
    "slant",
    "brow_up",
    "lips",
    "mouth_wide",
)


def invent_people(count: int, rng: np.random.Generator) -> list[Person]:
    """Invent a group: archetypes in turn, each with its own proportions and a shifted skin tone.

    Parameters
    ----------
    count : int
        At least 1.
    rng : numpy.random.Generator

    Returns
    -------
    list of Person
    """
    people = []
    for k in range(count):
        base = CAST[k % len(CAST)]
        again = k >= len(CAST)
        own = {s: float(getattr(base, s) + rng.normal(0, 0.45 if again else 0.14)) for s in SHAPES}
        tone = rng.uniform(0.8, 1.1) if again else rng.uniform(0.97, 1.03)
        own["skin"] = tuple(float(min(0.93, c * tone)) for c in base.skin)
        if again:
            own["cloth"] = tuple(float(c) for c in rng.uniform(0.2, 0.8, 3))
            own["smiles"] = float(rng.uniform(0.4, 0.7))
        people.append(replace(base, seed=int(rng.integers(2**31)), **own))
    assert {f.name for f in fields(Person)} >= set(SHAPES)
    return people
