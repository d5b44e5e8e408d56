"""The shipped limits as the first rows of their history."""

from datetime import UTC, datetime

from django.db import migrations

FROM_THE_START = datetime(2020, 1, 1, tzinfo=UTC)


def fill(apps, schema_editor):
    from samples.layout import shipped_limits

    table = apps.get_model("facility", "Limit")
    known = set(table.objects.values_list("name", flat=True))
    table.objects.bulk_create(
        table(
            name=limit.name,
            value=limit.value,
            unit=limit.unit,
            source=limit.source[:200],
            since=FROM_THE_START,
        )
        for limit in shipped_limits().values()
        if limit.name not in known
    )


class Migration(migrations.Migration):
    dependencies = [("facility", "0001_ground"), ("samples", "0002_bench")]

    # backwards nothing is done: limits are never deleted
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
