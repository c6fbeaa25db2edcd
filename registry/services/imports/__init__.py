"""Taking in a table: kept once by content, decided column by column, checked and loaded in the background."""

from registry.services.imports.columns import answer_questions, decide_columns
from registry.services.imports.editing import require_import
from registry.services.imports.files import Upload, begin_import, choose_sheet, discard_import
from registry.services.imports.runs import cancel_import, run_again, start_check, start_load

__all__ = [
    "Upload",
    "answer_questions",
    "begin_import",
    "cancel_import",
    "choose_sheet",
    "decide_columns",
    "discard_import",
    "require_import",
    "run_again",
    "start_check",
    "start_load",
]
