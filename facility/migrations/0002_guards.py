from django.db import migrations

from facility import guards


class Migration(migrations.Migration):
    dependencies = [("facility", "0001_ground")]
    operations = [migrations.RunPython(guards.migration, migrations.RunPython.noop)]
