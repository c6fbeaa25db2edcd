"""Names of several records in plain English: they stand on pages and in copies."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('procedures', '0021_rhythm_of_epochs'),
    ]

    operations = [
        migrations.AlterModelOptions(
            name='ecgbeat',
            options={'verbose_name_plural': 'average beats of ECGs'},
        ),
        migrations.AlterModelOptions(
            name='ecgmeasurement',
            options={'ordering': ('measured_at', 'id'), 'verbose_name': 'ECG measurement', 'verbose_name_plural': 'ECG measurements'},
        ),
        migrations.AlterModelOptions(
            name='epochbeats',
            options={'verbose_name_plural': 'beats of epochs'},
        ),
        migrations.AlterModelOptions(
            name='logentry',
            options={'ordering': ('occurred_at', 'id'), 'verbose_name_plural': 'log entries'},
        ),
        migrations.AlterModelOptions(
            name='responsesummary',
            options={'verbose_name_plural': 'response summaries'},
        ),
        migrations.AlterModelOptions(
            name='storedsignals',
            options={'verbose_name_plural': 'stored signals'},
        ),
    ]
