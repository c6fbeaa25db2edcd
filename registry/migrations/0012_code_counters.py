"""A counter for each series of running codes, set to where the patients' codes stand."""

import re

import django.db.models.deletion
from django.db import migrations, models

import registry.models.base


def seed(apps, schema_editor):
    highest = {}
    patients = apps.get_model("registry", "Patient").objects
    for centre, code in patients.values_list("centre_id", "code").iterator():
        if found := re.fullmatch(r"(P-)([0-9]{1,6})", code):
            key = (centre, found[1])
            highest[key] = max(highest.get(key, 0), int(found[2]))
    counters = apps.get_model("registry", "CodeCounter").objects
    for (centre, series), number in highest.items():
        counters.create(centre_id=centre, series=series, last_number=number)


class Migration(migrations.Migration):
    dependencies = [("registry", "0011_imports_name_who_loaded")]

    operations = [
        migrations.CreateModel(
            name="CodeCounter",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=registry.models.base.new_key, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("series", models.CharField(max_length=20)),
                ("last_number", models.PositiveIntegerField(default=0)),
                (
                    "centre",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="code_counters",
                        to="registry.centre",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("centre", "series"), name="code_counter_once_per_series")
                ],
            },
        ),
        migrations.RunPython(seed, migrations.RunPython.noop, elidable=True),
    ]
