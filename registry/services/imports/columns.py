"""What each column of a table is for, and what else the file leaves open."""

from __future__ import annotations

from dataclasses import asdict, replace

from registry.errors import RuleBroken
from registry.importing.plan import Plan, check_columns, questions
from registry.importing.scan import scan
from registry.importing.table import TableError
from registry.models import TableImport, User
from registry.selectors.imports import look_of, plan_of, scan_of, table_kind_of, table_of
from registry.services.imports.editing import editing, reset, text_of


def decide_columns(*, by: User, run: TableImport, plan: Plan) -> TableImport:
    """Keep what each column is for, then walk the rows once to see what the file leaves open.

    Raises
    ------
    RuleBroken
        When a column does not exist, is used twice, or a required field has none.
    """
    with editing(by, run) as locked:
        look = look_of(locked)
        if not look["header"]:
            raise RuleBroken("Choose the sheet first.", fields={"sheet": ["Choose the sheet."]})
        kind = table_kind_of(locked)
        check_columns(kind, look["header"], plan)
        targets = {target.name: target for target in kind.targets()}
        try:
            table = table_of(locked)
            places = {name: place for place, name in enumerate(table.header) if name}
            seen = scan(table.rows, {places[c]: targets[n] for n, c in plan.columns.items()}, plan.missing)
        except TableError as error:
            raise RuleBroken(str(error), fields={"": [str(error)]}) from None
        locked.look = text_of(look | {"scan": seen.stored()})
        locked.plan = text_of(asdict(plan))
        locked.rows_read = seen.rows
        reset(locked)
        locked.save()
        return locked


def answer_questions(*, by: User, run: TableImport, answers: dict[str, str]) -> TableImport:
    """Keep the answers to what the file leaves open, by the keys of the questions.

    Raises
    ------
    RuleBroken
        When an answer is none of those offered.
    """
    with editing(by, run) as locked:
        kind, plan, seen = table_kind_of(locked), plan_of(locked), scan_of(locked)
        asked = {one.key: one for one in questions(kind, plan, seen)}
        wrong: dict[str, list[str]] = {}
        for key, answer in answers.items():
            question = asked.get(key)
            if question is None:
                continue
            if answer not in dict(question.options):
                wrong[key] = [f"{question.label}: choose one of the options shown."]
                continue
            sort, _, rest = key.partition(":")
            if sort == "unit":
                plan = replace(plan, units={**plan.units, rest: answer})
            elif sort == "word":
                name, _, word = rest.partition(":")
                plan = replace(plan, words={**plan.words, name: {**plan.words.get(name, {}), word: answer}})
            else:
                plan = Plan.of(asdict(plan) | {sort: answer})
        if wrong:
            raise RuleBroken(next(iter(wrong.values()))[0], fields=wrong)
        locked.plan = text_of(asdict(plan))
        reset(locked)
        locked.save()
        return locked
