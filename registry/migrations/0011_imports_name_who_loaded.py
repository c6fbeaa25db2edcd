"""Who started a loading, and the file's name as ciphertext: a file may be called after a patient."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import registry.models.encrypted
from registry.models.encrypted import cipher


def encrypt(apps, schema_editor):
    runs = apps.get_model("registry", "TableImport").objects
    for key, name in runs.values_list("pk", "original_name"):
        runs.filter(pk=key).update(original_name=cipher().encrypt(name.encode()).decode())


def decrypt(apps, schema_editor):
    runs = apps.get_model("registry", "TableImport").objects
    for key, name in runs.values_list("pk", "original_name"):
        runs.filter(pk=key).update(original_name=cipher().decrypt(name.encode()).decode()[:200])


class Migration(migrations.Migration):
    dependencies = [("registry", "0010_withdrawals_of_merges")]

    operations = [
        migrations.AddField(
            model_name="tableimport",
            name="loaded_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        # In three steps: ciphertext is longer than the column was, and the field itself would encrypt twice.
        migrations.AlterField("tableimport", "original_name", models.TextField()),
        migrations.RunPython(encrypt, decrypt),
        migrations.AlterField("tableimport", "original_name", registry.models.encrypted.EncryptedTextField()),
    ]
