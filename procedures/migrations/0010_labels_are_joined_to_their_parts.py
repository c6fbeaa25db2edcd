"""Join labels to the parts that were written from them; until now the scanned text alone told."""

from django.db import migrations


def join(apps, schema_editor):
    devices = apps.get_model("registry", "Device").objects
    labels = apps.get_model("procedures", "ScannedPart").objects
    implanted = ("lv_lead", "rv_lead", "ra_lead", "generator")
    for label in labels.filter(device__isnull=True, part__in=implanted).select_related("session").iterator():
        same = [one for one in devices.filter(patient=label.session.patient_id) if one.udi == label.scanned_text]
        if len(same) == 1:
            labels.filter(pk=label.pk).update(device=same[0])


class Migration(migrations.Migration):
    # Apart from the column: PostgreSQL changes no table that has rows waiting for their check.
    dependencies = [("procedures", "0009_scannedpart_device")]

    operations = [migrations.RunPython(join, migrations.RunPython.noop)]
