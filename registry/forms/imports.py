"""Forms of an import: the file, what its columns are for, and what the file leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from registry.described.field import DescribedField, Sort
from registry.described.kind import tables
from registry.described.table import TableKind
from registry.forms.base import PageForm
from registry.forms.fields import AnswerField
from registry.importing.csv_table import ENCODINGS
from registry.importing.plan import Plan, Question
from registry.importing.table import MAX_BYTES
from registry.models import Centre, new_key

_SAME = "="  # marks, among the columns offered, one answer for every row


class UploadForm(PageForm):
    """The file, and what kind of table it is."""

    wide = ("centre", "kind", "file")

    key = forms.UUIDField(widget=forms.HiddenInput, initial=new_key)
    centre = forms.ModelChoiceField(Centre.objects.none(), label="Centre", empty_label=None)
    kind = AnswerField("Contents of the table", [])
    file = forms.FileField(
        label="File",
        help_text=f"CSV or XLSX, up to {MAX_BYTES // 1024**2} MB; the first row must contain the column names.",
        error_messages={
            "required": "File: choose a CSV or XLSX file.",
            "empty": "The file is empty.",
        },
    )
    encoding = forms.ChoiceField(label="Encoding of a CSV file", choices=list(ENCODINGS.items()), initial="utf-8")
    separator = forms.ChoiceField(
        label="Column separator of a CSV file",
        choices=[("", "detect automatically"), ("comma", "commas"), ("semicolon", "semicolons"), ("tab", "tabs")],
        required=False,
    )

    def __init__(self, *args: Any, centres: Sequence[Centre], **options: Any) -> None:
        """Offer the centres the person may import into; with one there is nothing to choose."""
        super().__init__(*args, **options)
        kinds = self.fields["kind"]
        centre = self.fields["centre"]
        assert isinstance(kinds, forms.ChoiceField)  # noqa: S101 - tells the type checker
        assert isinstance(centre, forms.ModelChoiceField)  # noqa: S101
        kinds.choices = [(kind.key, kind.label) for kind in tables().values()]
        centre.queryset = Centre.objects.filter(pk__in=[one.pk for one in centres])
        if len(centres) == 1:
            centre.initial = centres[0]
            centre.widget = forms.HiddenInput()


class SheetForm(PageForm):
    """Which sheet of a workbook is meant."""

    sheet = AnswerField("Sheet", [])

    def __init__(self, *args: Any, sheets: Sequence[str], **options: Any) -> None:
        """Offer the visible sheets with something in them."""
        super().__init__(*args, **options)
        field = self.fields["sheet"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - tells the type checker
        field.choices = [(sheet, sheet) for sheet in sheets]


class ColumnsForm(PageForm):
    """What each column is for, field by field of the registry."""

    wide = ("missing_words", "leave_out_stored")

    def __init__(
        self,
        *args: Any,
        kind: TableKind,
        header: Sequence[str],
        plan: Plan,
        proposals: Mapping[str, str],
        **options: Any,
    ) -> None:
        """Show what was decided, or else what the names of the columns propose."""
        super().__init__(*args, **options)
        self._kind = kind
        columns = [name for name in header if name]
        for target in kind.targets():
            self.fields[target.name] = self._field(target, columns, plan, proposals)
        self.fields["missing_words"] = forms.CharField(
            label="Words that mean missing",
            required=False,
            max_length=200,
            initial=", ".join(plan.missing),
            help_text="For instance: NA, n/a, -. Separate them by commas. An empty cell is always missing.",
            widget=forms.TextInput(attrs={"autocomplete": "off"}),
        )
        self.fields["leave_out_stored"] = forms.BooleanField(
            label="Leave out rows that are already stored, such as those of an earlier, shorter file",
            required=False,
            initial=plan.leave_out_stored,
        )

    def _field(
        self, target: DescribedField, columns: Sequence[str], plan: Plan, proposals: Mapping[str, str]
    ) -> forms.ChoiceField:
        choices: list[Any] = [("", "not in this file"), ("Columns", [(name, name) for name in columns])]
        if target.sort is Sort.WORD:
            same = [(f"{_SAME}{key}", f"{label}, in every row") for key, label in target.options]
            choices.append(("The same for all rows", same))
        chosen = plan.columns.get(target.name) or (
            f"{_SAME}{plan.fixed[target.name]}" if target.name in plan.fixed else proposals.get(target.name, "")
        )
        field = forms.ChoiceField(label=target.label, choices=choices, required=False, initial=chosen)
        needed = "needed" if target.required else ""
        units = f"stored in {target.unit}" if target.unit else ""
        field.help_text = "; ".join(part for part in (needed, units, target.hint) if part)
        field.widget.attrs["data-proposed"] = "yes" if chosen else "no"
        return field

    @property
    def target_fields(self) -> list[forms.BoundField]:
        """The fields that choose a column."""
        return [self[target.name] for target in self._kind.targets()]

    def plan(self, before: Plan) -> Plan:
        """Return the plan that was posted; what was settled about the file before stays settled."""
        columns, fixed = {}, {}
        for target in self._kind.targets():
            chosen = self.cleaned_data[target.name]
            if chosen.startswith(_SAME):
                fixed[target.name] = chosen.removeprefix(_SAME)
            elif chosen:
                columns[target.name] = chosen
        words = [word.strip() for word in self.cleaned_data["missing_words"].split(",")]
        kept = {name for name, column in columns.items() if before.columns.get(name) == column}
        return Plan(
            columns,
            fixed,
            {name: unit for name, unit in before.units.items() if name in kept},
            {name: said for name, said in before.words.items() if name in kept},
            before.date_order,
            before.serial,
            before.decimal,
            tuple(word for word in words if word),
            self.cleaned_data["leave_out_stored"],
        )


class QuestionsForm(PageForm):
    """What the file leaves open; nothing is chosen beforehand but what was answered before."""

    def __init__(self, *args: Any, asked: Sequence[Question], **options: Any) -> None:
        """Ask."""
        super().__init__(*args, **options)
        self._keys = {f"question{number}": one.key for number, one in enumerate(asked)}
        for name, one in zip(self._keys, asked, strict=True):
            field: forms.ChoiceField = AnswerField(one.label, one.options)
            if len(one.options) > 4:
                field = forms.ChoiceField(label=one.label, choices=[("", "Choose"), *one.options])
            field.help_text, field.initial = one.why, one.answer
            self.fields[name] = field

    def answers(self) -> dict[str, str]:
        """Return the answers by the keys of the questions."""
        return {key: self.cleaned_data[name] for name, key in self._keys.items()}
