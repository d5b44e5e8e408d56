from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("samples", "0003_limits")]

    operations = [
        migrations.AddField(
            model_name="mount",
            name="moved_at",
            field=models.DateTimeField(
                blank=True, help_text="on the holder, at the bench", null=True
            ),
        )
    ]
