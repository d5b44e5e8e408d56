"""What a source still gives: the counts of its intensity checks since this piece was put in."""

from dataclasses import dataclass

from django.utils import timezone

from bookings import check_charts, health
from facility.check_sorts import COPPER
from facility.models import CheckKind

MOST = 4  # kinds of check that a part's page shows


@dataclass
class Counts:
    """One intensity check with this source, from the first to the last of the life."""

    kind: object
    series: object
    first: object  # the first CheckValue of the life
    last: object

    @property
    def says(self):
        """The change in a sentence, with the day that it is counted from."""
        change = 100 * (self.last.value / self.first.value - 1)
        moved = (
            f"{abs(change):.0f} % {'more' if change > 0 else 'less'} than"
            if abs(change) >= 0.5
            else "the same as"
        )
        first = timezone.localtime(self.first.at)
        return f"{self.series.name} counts {moved} on {first:%-d %b %Y}."


def of_source(part, life):
    """Counts of every intensity check that uses this source, with values of this life.

    Takes: part, a source; life, the one it is in.   Returns: list of Counts, at most MOST; five queries.
    """
    kinds = CheckKind.objects.in_use().filter(source=part, sort=CheckKind.Sort.INTENSITY)
    kinds = list(kinds.select_related("source", "gauge", "chamber")[:MOST])
    found = []
    for now in health.kinds_now(part.instrument, kinds=kinds) if kinds else ():
        for one in now.series:
            rows = [row for row in one.rows if row.at >= life.began_at]
            if one.name == COPPER[0] and len(rows) > 1 and rows[0].value > 0:
                found.append(Counts(now.kind, one, rows[0], rows[-1]))
    return found


def drawn(counts):
    """The small drawing of its chart."""
    return check_charts.drawings(counts.series, small=True)
