"""A table from elsewhere on its way in: the file, what was decided about it, and what its dry run found."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from registry.models.base import Record, new_key
from registry.models.constraints import one_of
from registry.models.declared import PLACE, STAFF, UPKEEP, declare, identifies, withheld
from registry.models.encrypted import EncryptedTextField
from registry.models.job import Job, job_constraints, job_index
from registry.models.people import Centre, User
from registry.models.trailed import UNDER_WAY, loose, untrailed


class ImportState(models.TextChoices):
    """How far it is."""

    NEW = "new", "Columns to be matched"
    CHECKED = "checked", "Dry run done"
    LOADED = "loaded", "Loaded"
    DISCARDED = "discarded", "Discarded"


class TableImport(Record):
    """One file of one kind for one centre. The file and everything read from it may name persons: ciphertext."""

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="imports")
    kind = models.CharField(max_length=30)
    uploaded_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    # Who started the loading, whose name stands under what was written; none before the first.
    loaded_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    # A file may be called after a patient.
    original_name = EncryptedTextField()
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    encoding = models.CharField(max_length=20)
    separator = models.CharField(max_length=10, blank=True)
    sheet = models.CharField(max_length=100, blank=True)
    # JSON: names of columns and sheets, and what a first walk over the rows saw.
    look = EncryptedTextField(default="{}")
    # JSON: registry.importing.plan.Plan.
    plan = EncryptedTextField(default="{}")
    state = models.CharField(max_length=10, choices=ImportState, default=ImportState.NEW)
    rows_read = models.PositiveIntegerField(default=0)
    problems = models.PositiveIntegerField(default=0)
    unusual = models.PositiveIntegerField(default=0)
    stored_already = models.PositiveIntegerField(default=0)
    records_made = models.PositiveIntegerField(default=0)
    finished_at = models.DateTimeField(null=True, blank=True)

    trail = loose(
        "loaded_by_id sheet look plan state rows_read problems unusual stored_already records_made finished_at",
        UNDER_WAY,
    )

    handling = declare(
        withheld("centre", PLACE),
        withheld("uploaded_by loaded_by", STAFF),
        identifies("original_name look plan sheet sha256", "a file of patients may name persons"),
        withheld("kind size_bytes encoding separator state", UPKEEP),
        withheld("rows_read problems unusual stored_already records_made finished_at", UPKEEP),
    )

    class Meta:
        ordering = ("-created_at", "-id")
        indexes = [models.Index(fields=("centre", "-created_at"))]
        constraints = [
            one_of("tableimport", "state", ImportState.values),
            models.UniqueConstraint(
                fields=("centre", "kind", "sha256", "sheet"),
                condition=Q(state=ImportState.LOADED),
                name="tableimport_loaded_once",
            ),
        ]

    def __str__(self) -> str:
        return self.original_name


class ImportTask(models.TextChoices):
    """What a run does with an import."""

    CHECK = "check", "Dry run"
    LOAD = "load", "Loading"


class ImportRun(Job):
    """A dry run or a loading, done in the background. What it is about says whose it is; it names nobody."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    table_import = models.ForeignKey(TableImport, models.CASCADE, related_name="runs")
    task = models.CharField(max_length=10, choices=ImportTask)
    created_at = models.DateTimeField(auto_now_add=True)

    trail = untrailed(UNDER_WAY)

    handling = declare(withheld("id table_import task created_at", UPKEEP))

    class Meta:
        ordering = ("-id",)
        indexes = [job_index("importrun")]
        constraints = [
            *job_constraints("importrun"),
            one_of("importrun", "task", ImportTask.values),
            models.UniqueConstraint(
                fields=("table_import",), condition=Q(state__in=Job.BUSY), name="importrun_one_at_a_time"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_task_display()} {self.get_state_display()}"


class PieceOf(models.TextChoices):
    """What it is a piece of."""

    FILE = "file", "The file"
    FINDINGS = "findings", "What the dry run found"


class ImportPiece(models.Model):
    """A piece of the file, or a page of findings; both may name persons, so both are ciphertext.

    They go when the table is loaded or discarded.
    """

    table_import = models.ForeignKey(TableImport, models.CASCADE, related_name="pieces")
    of = models.CharField(max_length=10, choices=PieceOf)
    number = models.PositiveIntegerField()
    content = EncryptedTextField()

    trail = untrailed("goes when the table is loaded, and then every record of it has a link")

    handling = declare(
        withheld("id table_import of number", UPKEEP),
        identifies("content", "a file of patients may name persons"),
    )

    class Meta:
        ordering = ("number",)
        constraints = [
            models.UniqueConstraint(fields=("table_import", "of", "number"), name="importpiece_in_line"),
            one_of("importpiece", "of", PieceOf.values),
        ]

    def __str__(self) -> str:
        return f"{self.of} {self.number}"
