"""The routes of the site as the URL conf declares them, and an address for each in the test's world."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.urls.converters import UUIDConverter

from registry.models import new_key
from tests.authorisation.world import Place

# The record behind the keyword of an address, where it differs from route to route.
_BY_ROUTE = {
    "procedures:recorded_epoch": {"epoch": "marked"},
    "people:member": {"key": "member"},
    "registry:patient": {"key": "patient"},
    "registry:patient_figure": {"key": "patient"},
}
_PLAIN = {
    "name": "sites",
    "indicator": "complication",
    "uidb64": "none",
    "token": "none",
    "code": "ours",
    "provider_id": "none",
}


@dataclass(frozen=True)
class Route:
    """One route, under the name a rule is declared by; a route with fixed arguments carries them in its name."""

    name: str
    pattern: URLPattern
    namespace: str

    @property
    def sends(self) -> str:
        """Return the method that writes: PUT for the API's records, POST for everything else."""
        return "put" if "put" in getattr(self.pattern.callback, "actions", {}) else "post"

    @property
    def is_about_a_session(self) -> bool:
        """Say whether it names something that a signature closes."""
        about_patient = (
            *("api:patient", "api:assessment", "api:adverseevent"),
            *("api:devicecheck", "api:device", "api:consent"),
        )
        if self.name == "api:session-sign":
            return True
        names = {"session", "recording", "ecg"} & set(self.pattern.pattern.converters)
        return bool(names) or (self.name.endswith("-detail") and not self.name.startswith(about_patient))

    def made_up(self) -> str:
        """Return its address about a record that does not exist."""
        arguments = {
            name: new_key() if isinstance(converter, UUIDConverter) else "nothing"
            for name, converter in self.pattern.pattern.converters.items()
        }
        return reverse(self.name.split(" ")[0], kwargs=dict(self.pattern.default_args) | arguments)

    def address(self, place: Place) -> str:
        """Return its address for a place of the world."""
        fixed = self.pattern.default_args
        arguments: dict[str, Any] = dict(fixed)
        for name in self.pattern.pattern.converters:
            arguments[name] = _PLAIN.get(name) if name in _PLAIN else self._record(name, place)
        plain = self.name.split(" ")[0]
        return reverse(plain, kwargs=arguments)

    def _record(self, name: str, place: Place) -> Any:
        plain, *kind = self.name.split(" ")
        wanted = _BY_ROUTE.get(plain, {}).get(name, name)
        if plain.startswith("people:") and name == "key":
            wanted = "member"
        if kind and name == "key":
            wanted = kind[0]
        if name == "patient_key":
            wanted = "patient"
        if name == "pk":
            wanted = self.record_name()
        return place.records[wanted].pk

    def record_name(self) -> str:
        """Return the name of the record behind an API route or a passkey's page."""
        if self.name.startswith("mfa_"):
            return "passkey"
        if self.name == "account_end_session":
            return "login_session"
        stem = self.name.removeprefix("api:").rsplit("-", 1)[0]
        return {
            "logentry": "entry",
            "leadmeasurement": "measurement",
            "thresholdtest": "threshold_test",
            "scannedpart": "scanned_part",
            "epochmetric": "metric",
            "acuteresponse": "response",
            "ecgmeasurement": "ecg",
            "intervalreading": "interval",
            "assessment": "assessments",
            "consent": "consents",
            "adverseevent": "adverse-events",
            "devicecheck": "device-checks",
            "bedside_session": "session",
        }.get(stem, stem)


def _walk(resolver: URLResolver, namespace: str = "") -> Iterator[Route]:
    for pattern in resolver.url_patterns:
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern, f"{namespace}{pattern.namespace}:" if pattern.namespace else namespace)
        else:
            kind = f" {pattern.default_args['kind']}" if "kind" in pattern.default_args else ""
            yield Route(f"{namespace}{pattern.name}{kind}", pattern, namespace)


def all_routes() -> list[Route]:
    """Return every route of the site."""
    return list(_walk(get_resolver()))
