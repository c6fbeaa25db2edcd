"""The counters of session codes, set to where the sessions' codes stand."""

import re

from django.db import migrations


def seed(apps, schema_editor):
    highest = {}
    sessions = apps.get_model("procedures", "Session").objects
    for centre, code in sessions.values_list("centre_id", "code").iterator():
        if found := re.fullmatch(r"(S-[0-9]{4}-)([0-9]{1,6})", code):
            key = (centre, found[1])
            highest[key] = max(highest.get(key, 0), int(found[2]))
    counters = apps.get_model("registry", "CodeCounter").objects
    for (centre, series), number in highest.items():
        counters.create(centre_id=centre, series=series, last_number=number)


class Migration(migrations.Migration):
    dependencies = [("procedures", "0011_background_runs"), ("registry", "0012_code_counters")]

    operations = [migrations.RunPython(seed, migrations.RunPython.noop, elidable=True)]
