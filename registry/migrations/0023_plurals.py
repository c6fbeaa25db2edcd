"""Names of several records in plain English: they stand on pages and in copies."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('registry', '0022_pieces_of_imports'),
    ]

    operations = [
        migrations.AlterModelOptions(
            name='dataquery',
            options={'ordering': ('-created_at', '-id'), 'verbose_name_plural': 'data queries'},
        ),
        migrations.AlterModelOptions(
            name='pairapart',
            options={'verbose_name_plural': 'pairs kept apart'},
        ),
        migrations.AlterModelOptions(
            name='patientidentity',
            options={'verbose_name_plural': 'identifiers of patients'},
        ),
    ]
