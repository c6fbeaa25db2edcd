"""Forms that say in the log when somebody names a record that is not theirs."""

from __future__ import annotations

from django import forms

from registry.login.access_log import refused_choices


class WatchedForm(forms.Form):
    """A form whose lists hold records of the person's centres only."""

    def _post_clean(self) -> None:
        super()._post_clean()  # type: ignore[misc] # Django's own hook
        refused_choices(self)
