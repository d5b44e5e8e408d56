"""What the demo's groups bring: series of samples, written as chemists write them. Invented."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Series:
    """A kind of sample that a group brings again and again."""

    title: str  # with {n}
    form: str
    composition: str
    wants: str
    mounting: str
    thickness: tuple = (0.5, 0.6)
    size: tuple = (4.0, 4.0)
    disc: bool = False
    mass_mg: tuple = ()
    surface_m2_g: float = 0.0
    max_temperature_c: float = 0.0
    hazards: str = ""
    history: str = ""
    share: float = 1.0
    confidential: bool = False


WAFER = (0.51, 0.56)
TAPED = (0.12, 0.3)

SERIES = {
    "coatings": (
        Series("Cu–Ni film {n:02d}", "film", "Cu70Ni30", "Cu 2p, Ni 2p, O 1s", "tantalum clip",
               WAFER, history="Co-sputtered on Si(100), 120 nm. Kept in a wafer box under nitrogen."),
        Series("TiN coating {n:02d}", "film", "TiN", "Ti 2p, N 1s", "carbon tape", WAFER,
               history="Reactive sputtering on steel 304, 1.1 µm. Rinsed in isopropanol."),
        Series("Al:ZnO film {n:02d}", "film", "Zn0.98Al0.02O", "Zn 2p3/2, O 1s", "carbon tape",
               (0.7, 0.72), history="Sputtered on glass, annealed at 300 °C in forming gas."),
        Series("Anatase A{n}", "powder", "TiO2", "Ti 2p, O 1s", "copper tape", TAPED,
               mass_mg=(1.0, 2.0), surface_m2_g=48.0, hazards="fine powder",
               history="Sol-gel, calcined at 450 °C for 2 h, ground, dried at 110 °C overnight."),
        Series("Sol-gel silica on steel {n:02d}", "film", "SiO2", "Si 2p, O 1s", "tantalum clip",
               (0.9, 1.1), history="Dip-coated, cured at 200 °C. Rinsed with water, dried in air."),
        Series("DLC on silicon {n:02d}", "film", "diamond-like carbon", "C 1s, O 1s",
               "tantalum clip", WAFER, history="Plasma-assisted deposition, 80 nm.", share=0.6),
        Series("Nb:TiO2 film {n:02d}", "film", "Ti0.98Nb0.02O2", "Ti 2p, Nb 3d, O 1s",
               "carbon tape", WAFER, history="Pulsed laser deposition on MgO, 60 nm.", share=0.6),
    ),
    "corrosion": (
        Series("Cu–Ni 90/10 coupon, quay wall, {n} weeks", "bulk", "Cu90Ni10",
               "Cu 2p, Ni 2p, O 1s", "tantalum clip", (1.8, 2.3),
               history="Hung at mid-tide. Rinsed in deionised water, dried under nitrogen."),
        Series("316L coupon, splash zone {n:02d}", "bulk", "stainless steel 316",
               "Cr 2p, Fe 2p, O 1s", "tantalum clip", (1.6, 2.0),
               history="Twelve weeks in the splash zone, cut dry, no rinse after cutting."),
        Series("Brass fitting, cut {n:02d}", "bulk", "Cu63Zn37", "Cu 2p, Zn 2p3/2",
               "tantalum clip", (1.0, 1.6), history="From a valve of the pier's water line."),
        Series("Rinse residue R{n}", "residue", "NaCl", "Na 1s, Cl 2p", "silicon wafer",
               (0.3, 0.45), history="Drop dried on silicon in a clean hood."),
        Series("Rust flake {n:02d}", "powder", "FeO(OH)", "Fe 2p, O 1s", "carbon tape", TAPED,
               mass_mg=(1.0, 3.0), surface_m2_g=22.0, hazards="fine powder",
               history="Scraped off the mooring chain, ground, dried at 60 °C."),
        Series("AZ31 plate {n:02d}", "bulk", "Mg96Al3Zn1", "Mg 1s, O 1s, Al 2p",
               "tantalum clip", (1.2, 1.5), history="Salt spray for 24 h, rinsed, dried."),
        Series("Al 5083 weld {n:02d}", "bulk", "Al95Mg4.5Mn0.5", "Al 2p, Mg 1s, O 1s",
               "carbon tape", (1.4, 2.0), history="Polished to 1 µm, ultrasonic in ethanol."),
    ),
    "batteries": (
        Series("NMC cathode {n:02d}", "electrode", "LiNi0.8Mn0.1Co0.1O2", "Ni 2p, O 1s, Mn 2p",
               "carbon tape", (0.07, 0.09), disc=True, size=(4.0, 4.0),
               hazards="residues of electrolyte",
               history="Cell opened in the glove box, rinsed twice in dimethyl carbonate, dried."),
        Series("Graphite anode {n:02d}", "electrode", "C", "C 1s, O 1s, F 1s", "copper tape",
               (0.06, 0.08), disc=True, hazards="residues of electrolyte",
               history="After fifty cycles, rinsed in dimethyl carbonate, dried in vacuum for 12 h."),
        Series("LFP powder {n:02d}", "powder", "LiFePO4", "Fe 2p, P 2p, O 1s", "copper tape",
               TAPED, mass_mg=(1.0, 3.0), surface_m2_g=14.0, hazards="fine powder",
               history="Carbon-coated, dried at 120 °C in vacuum."),
        Series("LLZO pellet {n:02d}", "pellet", "Li7La3Zr2O12", "La 3d, Zr 3d, O 1s",
               "tantalum clip", (0.9, 1.2), disc=True,
               history="Sintered at 1200 °C, polished dry in the glove box."),
        Series("Argyrodite pellet {n:02d}", "pellet", "Li6PS5Cl", "S 2p, P 2p, Cl 2p",
               "tantalum clip", (0.8, 1.0), disc=True, share=0.3, confidential=True,
               hazards="gives off hydrogen sulfide in moist air",
               history="Pressed at 370 MPa in the glove box, brought in the transfer vessel."),
        Series("Tin nanopowder {n:02d}", "powder", "Sn", "Sn 3d, O 1s", "copper tape", TAPED,
               mass_mg=(1.0, 2.0), surface_m2_g=9.0, hazards="nano, flammable", share=0.25,
               history="As bought, 60 to 80 nm, opened in the glove box."),
    ),
    "catalysis": (
        Series("Iron zeolite, batch {n}", "porous powder", "Si0.97Fe0.03O2", "Fe 2p, O 1s",
               "carbon tape", TAPED, mass_mg=(0.1, 0.2), surface_m2_g=700.0, hazards="fine powder",
               history="Ion exchange, calcined at 550 °C, dried at 200 °C in vacuum overnight."),
        Series("Pd on alumina {n:02d}", "porous powder", "Pd0.02Al2O3", "Pd 3d, Al 2p",
               "carbon tape", TAPED, mass_mg=(0.4, 0.8), surface_m2_g=180.0, hazards="fine powder",
               history="Incipient wetness, reduced at 300 °C, passivated. Dried at 150 °C."),
        Series("Ceria–zirconia {n:02d}", "powder", "Ce0.9Zr0.1O2", "Ce 3d, Zr 3d, O 1s",
               "copper tape", TAPED, mass_mg=(0.8, 1.6), surface_m2_g=65.0, hazards="fine powder",
               history="Co-precipitated, calcined at 500 °C."),
        Series("Glass fibre, leached {n} h", "fibre", "SiO2", "Si 2p, O 1s, Na 1s",
               "tantalum clip", (0.5, 0.7), history="Boiling nitric acid, rinsed to neutral, dried."),
        Series("UiO-66 batch {n}", "porous powder", "UiO-66", "Zr 3d, O 1s", "carbon tape", TAPED,
               mass_mg=(0.05, 0.15), surface_m2_g=1100.0, hazards="fine powder", share=0.5,
               history="Solvothermal, exchanged with acetone, activated at 120 °C in vacuum."),
        Series("Ru crystal, cut {n:02d}", "single crystal", "Ru", "Ru 3d, O 1s", "tantalum clip",
               (1.0, 2.0), disc=True, share=0.15, history="Sputtered and annealed elsewhere."),
    ),
    "visitors from Skerry Point": (
        Series("Limestone core {n:02d}", "bulk", "CaCO3", "Ca 2p, O 1s", "carbon tape",
               (1.5, 2.5), history="Cut dry from the harbour wall; stored in a paper bag."),
        Series("Anti-fouling paint {n:02d}", "film", "Cu2O", "Cu 2p, O 1s", "carbon tape",
               (0.9, 1.2), history="Painted on glass, two weeks in the tidal tank, rinsed.",
               share=0.6),
    ),
}  # fmt: skip

REFERENCES = (
    ("Au foil, reference", "Au", "Au 4f7/2"),
    ("Ag foil, reference", "Ag", "Ag 3d5/2"),
    ("Cu foil, reference", "Cu", "Cu 2p3/2"),
)

WET = Series(
    "Iron zeolite, undried, batch {n}", "porous powder", "Si0.97Fe0.03O2", "Fe 2p, Si 2p",
    "carbon tape", TAPED, mass_mg=(1.0, 1.6), surface_m2_g=700.0, hazards="fine powder",
    history="Straight from the bottle.",
)  # fmt: skip
RUST = next(series for series in SERIES["corrosion"] if series.composition == "FeO(OH)")
TIN = next(series for series in SERIES["batteries"] if series.composition == "Sn")

# Where n samples go on a 25.4 mm disc, mm from its centre: 3 mm and more between 4 mm squares.
ON_A_DISC = {
    1: ((0.0, 0.0),),
    2: ((-5.0, 0.0), (5.0, 0.0)),
    3: ((0.0, 6.5), (5.6, -3.3), (-5.6, -3.3)),
    4: ((-5.0, 5.0), (5.0, 5.0), (5.0, -5.0), (-5.0, -5.0)),
    5: ((0.0, 7.2), (6.85, 2.2), (4.25, -5.85), (-4.25, -5.85), (-6.85, 2.2)),
}
PITCH_ON_A_BAR_MM = 12.0


def spots(shape, count):
    """Where `count` samples go on a holder of this shape, in mm from its centre."""
    if shape == "disc":
        return ON_A_DISC[count]
    return tuple((round((n - (count - 1) / 2) * PITCH_ON_A_BAR_MM, 2), 0.0) for n in range(count))
