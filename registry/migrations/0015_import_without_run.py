from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('registry', '0014_import_runs'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='tableimport',
            name='tableimport_state_known',
        ),
        migrations.RemoveField(
            model_name='tableimport',
            name='attempts',
        ),
        migrations.RemoveField(
            model_name='tableimport',
            name='claimed_at',
        ),
        migrations.RemoveField(
            model_name='tableimport',
            name='failure',
        ),
        migrations.RemoveField(
            model_name='tableimport',
            name='progress_percent',
        ),
        migrations.RemoveField(
            model_name='tableimport',
            name='step',
        ),
        migrations.AlterField(
            model_name='tableimport',
            name='state',
            field=models.CharField(choices=[('new', 'Columns to be matched'), ('checked', 'Dry run done'), ('loaded', 'Loaded'), ('discarded', 'Discarded')], default='new', max_length=10),
        ),
        migrations.AddConstraint(
            model_name='tableimport',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['new', 'checked', 'loaded', 'discarded'])), name='tableimport_state_known'),
        ),
    ]
