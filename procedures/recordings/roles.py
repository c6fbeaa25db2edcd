"""Which channel is what: by its label and unit, or as the user says."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from .signals import Channel, ChannelInfo, RecordingError
from .units import Quantity, _quantity_of, judge_unit

_LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
SEGMENTS = range(1, 8)

#: Every role a channel can have, with what it must measure.
ROLES: dict[str, Quantity] = {
    "P_LV": Quantity.PRESSURE,
    "V_LV": Quantity.VOLUME,
    **{f"V_{n}": Quantity.VOLUME for n in SEGMENTS},
    **{f"G_{n}": Quantity.CONDUCTANCE for n in SEGMENTS},
    **{f"ECG_{lead}": Quantity.POTENTIAL for lead in _LEADS},
    "ECG": Quantity.POTENTIAL,  # one lead whose name is not known
    "P_AO": Quantity.PRESSURE,
    "RESP": Quantity.ANY,
}
_CANONICAL = {role.casefold(): role for role in ROLES}

# Other common spellings, compared without case, blanks and punctuation.
_ALIASES = {
    **dict.fromkeys(("plv", "lvp", "lvpressure", "pressurelv", "leftventricularpressure"), "P_LV"),
    **dict.fromkeys(("vlv", "lvv", "lvvolume", "volumelv", "leftventricularvolume"), "V_LV"),
    **dict.fromkeys(("pao", "aop", "aopressure", "aorticpressure", "pressureao"), "P_AO"),
    **dict.fromkeys(("resp", "respiration", "breathing"), "RESP"),
    **dict.fromkeys(("ecg", "ekg"), "ECG"),
    **{f"{name}{n}": f"V_{n}" for n in SEGMENTS for name in ("vol", "volume", "volumesegment", "vseg")},
    **{f"{name}{n}": f"G_{n}" for n in SEGMENTS for name in ("g", "conductance")},
    **{
        f"{prefix}{lead.casefold()}{suffix}": f"ECG_{lead}"
        for lead in _LEADS
        for prefix in ("ecg", "ekg", "lead", "mdcecglead")
        for suffix in ("", "einthoven")
    },
    **{lead.casefold(): f"ECG_{lead}" for lead in _LEADS if not lead.startswith("V")},
}
# A chest lead and a segmental volume can have the same short name; the unit tells which it is.
_SHARED = re.compile(r"v([1-7])")


@dataclass(frozen=True)
class Assignment:
    """Roles of channels.

    Attributes
    ----------
    roles
        For each channel its role, or None.
    factors
        For each channel what its values are multiplied by to be in the unit of its role.
    remarks
        What a user should know, as (labels of the channels, sentence).
    """

    roles: tuple[str | None, ...]
    factors: tuple[float, ...]
    remarks: tuple[tuple[tuple[str, ...], str], ...]

    def index(self, role: str) -> int | None:
        """Position of the channel with this role, or None."""
        return self.roles.index(role) if role in self.roles else None


def parse_mapping(items: Iterable[str]) -> dict[str, str]:
    """``ROLE=LABEL`` texts as a mapping from role to label.

    Parameters
    ----------
    items
        Texts of the form ``ROLE=LABEL``.

    Returns
    -------
    dict
        Label by role.

    Raises
    ------
    RecordingError
        Where a text is not of that form, names an unknown role, or repeats a role.
    """
    mapping: dict[str, str] = {}
    for item in items:
        name, equals, label = item.partition("=")
        role = _CANONICAL.get(name.strip().casefold())
        if not equals or not label.strip():
            raise RecordingError(f"'{item}' is not a channel mapping; write it as ROLE=LABEL, such as P_LV=Pressure.")
        if role is None:
            raise RecordingError(f"'{name.strip()}' is not a role of a channel; roles are {_role_list()}.")
        if role in mapping:
            raise RecordingError(f"The role {role} is mapped twice.")
        mapping[role] = label.strip()
    return mapping


def assign_roles(channels: Sequence[ChannelInfo | Channel], mapping: Mapping[str, str] | None = None) -> Assignment:
    """Recognise channels by label and unit; an explicit ``mapping`` from role to label goes first.

    Parameters
    ----------
    channels
        Channels of the recording, with or without samples.
    mapping
        Label by role, as chosen by hand.

    Returns
    -------
    Assignment
        Channel by role, with remarks about what was left out or turned into another unit.

    Raises
    ------
    RecordingError
        Where a mapped label does not exist, two channels could have one role, or the pressure or a volume is
        in a unit other than expected. Auxiliary channels in another unit are left out with a remark.
    """
    roles: list[str | None] = [None] * len(channels)
    mapped = {_canonical_role(role): label for role, label in (mapping or {}).items()}
    for role, label in mapped.items():
        at = _find(channels, label)
        if roles[at] is not None:
            raise RecordingError(f"The channel '{channels[at].label}' is mapped to both {roles[at]} and {role}.")
        roles[at] = role
    for role, found in _recognised(channels, roles).items():
        if role in mapped:
            continue
        if len(found) > 1:
            names = " and ".join(f"'{channels[i].label}'" for i in found)
            raise RecordingError(
                f"The channels {names} could both be {role}. Choose one (under Channels on the page, with "
                f"--map {role}=LABEL on the command line)."
            )
        roles[found[0]] = role
    return _with_units(channels, roles)


def _recognise(channel: ChannelInfo | Channel) -> str | None:
    """The role that a channel's label and unit suggest, or None."""
    role = _CANONICAL.get(channel.label.strip().casefold())
    if role:
        return role
    key = re.sub(r"[^a-z0-9]", "", channel.label.casefold())
    if shared := _SHARED.fullmatch(key):
        number = int(shared[1])
        measured = _quantity_of(channel.unit)
        if measured is Quantity.VOLUME:
            return f"V_{number}"
        return f"ECG_V{number}" if measured is Quantity.POTENTIAL and number <= 6 else None
    return _ALIASES.get(key)


def _recognised(channels: Sequence[ChannelInfo | Channel], roles: Sequence[str | None]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for i, channel in enumerate(channels):
        if roles[i] is None and (role := _recognise(channel)):
            found.setdefault(role, []).append(i)
    return found


def _with_units(channels: Sequence[ChannelInfo | Channel], roles: list[str | None]) -> Assignment:
    factors = [1.0] * len(channels)
    said: dict[str, list[str]] = {}
    for i, channel in enumerate(channels):
        role = roles[i]
        if role is None:
            continue
        verdict = judge_unit(channel.unit, ROLES[role])
        if verdict.factor is None:
            if not (role.startswith("ECG") or role == "P_AO"):
                raise RecordingError(
                    f"The channel '{channel.label}' {verdict.remark}. "
                    "Correct the unit, or convert the values, in the file; they are not converted automatically."
                )
            roles[i] = None
            said.setdefault(f"{verdict.remark}; it was left out", []).append(channel.label)
            continue
        factors[i] = verdict.factor
        if verdict.remark:
            said.setdefault(verdict.remark, []).append(channel.label)
    remarks = tuple((tuple(labels), _sentence(labels, remark)) for remark, labels in said.items())
    return Assignment(tuple(roles), tuple(factors), remarks)


def _sentence(labels: Sequence[str], remark: str) -> str:
    names = ", ".join(f"'{label}'" for label in labels)
    return f"The channel {names} {remark}." if len(labels) == 1 else f"Each of the channels {names} {remark}."


def _find(channels: Sequence[ChannelInfo | Channel], label: str) -> int:
    def spelled(channel: ChannelInfo | Channel) -> tuple[str, str]:
        return channel.label, f"{channel.label} [{channel.unit}]"

    wanted = label.strip()
    found = [i for i, channel in enumerate(channels) if wanted in spelled(channel)] or [
        i for i, channel in enumerate(channels) if wanted.casefold() in map(str.casefold, spelled(channel))
    ]
    if not found:
        names = ", ".join(f"'{channel.label}'" for channel in channels[:30])
        raise RecordingError(f"There is no channel '{label}' in the recording; its channels are {names}.")
    if len(found) > 1:
        raise RecordingError(f"The recording has {len(found)} channels called '{label}'; rename one in the file.")
    return found[0]


def _canonical_role(role: str) -> str:
    if role.casefold() not in _CANONICAL:
        raise RecordingError(f"'{role}' is not a role of a channel; roles are {_role_list()}.")
    return _CANONICAL[role.casefold()]


def _role_list() -> str:
    return "P_LV, V_LV, V_1 to V_7, G_1 to G_7, ECG_I to ECG_V6, ECG, P_AO and RESP"
