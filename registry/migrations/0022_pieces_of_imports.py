"""A piece of an imported file is no longer called a part: parts are those of a device."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("registry", "0021_links_may_be_blanked")]

    operations = [
        migrations.RemoveConstraint("importpart", "importpart_in_line"),
        migrations.RemoveConstraint("importpart", "importpart_of_known"),
        migrations.RenameModel("ImportPart", "ImportPiece"),
        migrations.AlterField(
            "importpiece",
            "table_import",
            models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="pieces", to="registry.tableimport"
            ),
        ),
        migrations.AddConstraint(
            "importpiece",
            models.UniqueConstraint(fields=("table_import", "of", "number"), name="importpiece_in_line"),
        ),
        migrations.AddConstraint(
            "importpiece",
            models.CheckConstraint(condition=models.Q(("of__in", ["file", "findings"])), name="importpiece_of_known"),
        ),
    ]
