"""The people of the demo's invented laboratory, Marram Head: names of plants, no real person."""

from dataclasses import dataclass

PASSWORD = "salt wind over the quay"


OLD_HAND = 700  # days; such people were there before the demo's first session


@dataclass(frozen=True)
class Someone:
    """A person of the demo: who, what they may do where, and how they write a pressure."""

    name: str
    role: str = "user"
    group: str = ""
    levels: tuple = ()  # (instrument's slug, level)
    style: str = "1.2e-6"
    since_days: int = OLD_HAND
    lapses: tuple = ()  # (instrument's slug, days from now; below zero: lapsed)
    superuser: bool = False
    left_days_ago: int = 0

    @property
    def username(self):
        return self.name.split()[0].lower()


BOTH_ALONE = (("quayside", 4), ("headland", 4))
GROUPS = ("coatings", "corrosion", "batteries", "catalysis", "visitors from Skerry Point")
GUESTS = GROUPS[4]

PEOPLE = (
    Someone("Ada Sandwort", "manager", levels=(("quayside", 5), ("headland", 5))),
    Someone("Dee Sealavender", "staff", levels=(("quayside", 5), ("headland", 5))),
    Someone("Kit Saltwort", "staff", levels=(("quayside", 5), ("headland", 5)), style="1.2E-06"),
    Someone("Fay Eelgrass", "safety"),
    Someone("Root Keeper", "manager", superuser=True),
    Someone("Gil Marram", "lead", "coatings", (("quayside", 3),)),
    Someone("Hedda Searocket", "lead", "corrosion", (("headland", 3),), "1,2E-06"),
    Someone("Ines Tamarisk", "lead", "batteries", (("quayside", 1),)),
    Someone("Joss Lovage", "lead", "catalysis", (("headland", 4),), "1.2 x 10^-6"),
    Someone("Ben Samphire", "user", "coatings", (("quayside", 4), ("headland", 3)),
            lapses=(("headland", 16),)),
    Someone("Mina Campion", "user", "coatings", (("quayside", 5), ("headland", 5)), "1.2 × 10⁻⁶"),
    Someone("Otis Stonecrop", "user", "coatings", BOTH_ALONE, lapses=(("quayside", -20),)),
    Someone("Chao Thrift", "user", "corrosion", BOTH_ALONE),
    Someone("Lev Purslane", "user", "corrosion", (("headland", 5),), "1,2E-06"),
    Someone("Nell Spurrey", "user", "corrosion", BOTH_ALONE, since_days=400),
    Someone("Pia Glasswort", "user", "batteries", BOTH_ALONE),
    Someone("Ravi Dulse", "user", "batteries", (("quayside", 5), ("headland", 4)), "1.2E-06"),
    Someone("Sol Squill", "user", "batteries", (("quayside", 4),), since_days=300),
    Someone("Tove Laver", "user", "catalysis", BOTH_ALONE, "1.2 x 10^-6"),
    Someone("Uma Wrack", "user", "catalysis", (("quayside", 4), ("headland", 5))),
    Someone("Yan Buckthorn", "user", "catalysis", (("headland", 2),), since_days=60),
    Someone("Eve Kale", "visitor", GUESTS, (("quayside", 1),), since_days=40),
    Someone("Wim Plantain", "visitor", GUESTS, since_days=8),
    Someone("Vera Couch", "user", "corrosion", (("headland", 4),), left_days_ago=120),
)  # fmt: skip
