"""What corrections and withdrawals took away of a pack's record since it was last forecast: the next forecast says so.

A danger that somebody took back is said as well, with the reason that was given, whether or not a forecast knew of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.forecasts.forecast import Flag
from service.core.translation import _, ngettext
from service.records.field_words import field_words, kind_word, to_the_minute
from service.records.history import in_parts
from service.records.subject import Subject
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import content_of, plain
from service.store.schema import EarlierVersion, IssuedForecast, Outcome, Pack, Reading, TopUp, Usage

CODE: Final = "record-corrected"

MOST_TOLD: Final = 5
"""Corrections that are told one by one, dangers first; of the others it is said how many there are. Our choice."""

_BY_NAME: Final[Mapping[str, Subject]] = {subject.name: subject for subject in SUBJECTS}
_FACTS: Final = (Reading, TopUp, Usage, Outcome)


def taken_away(session: Session, pack_ids: Collection[str]) -> dict[str, Flag]:
    """Say of some packs what was taken away of their record since they were last forecast; of the others nothing.

    A forecast that knows the record as it stands is none of those it is compared with: asked again, the answer is the
    same.
    """
    said: dict[str, Flag] = {}
    for some in in_parts(sorted(pack_ids)):
        versions: defaultdict[str, list[EarlierVersion]] = defaultdict(list)
        query = select(EarlierVersion).where(EarlierVersion.pack_id.in_(some)).order_by(EarlierVersion.id)
        for version in session.scalars(query):
            versions[str(version.pack_id)].append(version)
        last = _last_forecasts(session, versions)
        for pack_id, found in versions.items():
            told = _told(session, found, last.get(pack_id))
            if told:
                said[pack_id] = Flag(CODE, _said(told, first=pack_id not in last))
    return said


def _last_forecasts(session: Session, versions: Mapping[str, Sequence[EarlierVersion]]) -> dict[str, datetime]:
    """Return when each pack was last forecast before its record last changed, of those that were."""
    changed = {pack_id: max(version.superseded_at for version in found) for pack_id, found in versions.items()}
    for table in _FACTS:
        newest = select(table.pack_id, func.max(table.recorded_at)).where(table.pack_id.in_(changed))
        for pack_id, recorded_at in session.execute(newest.group_by(table.pack_id)):
            changed[pack_id] = max(changed[pack_id], recorded_at)
    for pack_id, recorded_at in session.execute(select(Pack.id, Pack.recorded_at).where(Pack.id.in_(changed))):
        changed[pack_id] = max(changed[pack_id], recorded_at)
    kept = select(IssuedForecast.pack_id, IssuedForecast.issued_at).where(IssuedForecast.pack_id.in_(changed))
    in_turn = session.execute(kept.order_by(IssuedForecast.issued_at))
    return {pack_id: issued_at for pack_id, issued_at in in_turn if issued_at < changed[pack_id]}


def _told(session: Session, versions: Sequence[EarlierVersion], last: datetime | None) -> list[str]:
    """Say what was taken away since a forecast: first each danger that went, then what it knew and is not so."""
    since = [version for version in versions if last is None or version.superseded_at > last]
    dangers = [_danger(version, text) for version in since for text in version.lifted or ()]
    known = [version for version in since if last is not None and version.recorded_at <= last]
    return [*dangers, *(said for version in known for said in _correction(session, version, since))]


def _danger(version: EarlierVersion, text: str) -> str:
    said = _("%(record)s no longer tells of this, by a correction (reason: %(reason)s): “%(danger)s”")
    return said % {"record": _record(version), "reason": _reason(version), "danger": text}


def _correction(session: Session, known: EarlierVersion, since: Sequence[EarlierVersion]) -> Iterator[str]:
    """Say what became of a record that a forecast knew, unless it reads again as it did."""
    subject = _BY_NAME[known.subject]
    later = [one for one in since if (one.subject, one.record_id) == (known.subject, known.record_id)]
    told = {"record": _record(known), "reason": _reason(later[-1])}
    if later[-1].withdrawn:
        yield _("%(record)s was withdrawn (reason: %(reason)s).") % told
        return
    row = session.get(subject.table, known.record_id if subject.named else int(known.record_id))
    if row is None:
        return
    stands = plain(subject, content_of(subject, row))
    changes = [_change(name, known.content.get(name), now) for name, now in stands.items()]
    changed = ", ".join(change for change in changes if change)
    if changed:
        yield _("%(record)s was corrected: %(changes)s (reason: %(reason)s).") % {**told, "changes": changed}


def _change(name: str, before: Any, now: Any) -> str:
    """Say of a field what it was and is; empty where both are the same."""
    if before == now:
        return ""
    if isinstance(before, list) or isinstance(now, list):
        return field_words([name])
    said = _("%(field)s from %(before)s to %(now)s")
    return said % {"field": field_words([name]), "before": _value(before), "now": _value(now)}


def _value(value: Any) -> str:
    if value is None:
        return _("not noted")
    return f"{value:g}" if isinstance(value, float) else str(value)


def _record(version: EarlierVersion) -> str:
    kind, time = kind_word(_BY_NAME[version.subject].one), version.content.get("time")
    if time is None:
        return _("The %(kind)s") % {"kind": kind}
    when = to_the_minute(datetime.fromisoformat(time))
    return _("The %(kind)s of %(time)s") % {"kind": kind, "time": when}


def _reason(version: EarlierVersion) -> str:
    return (version.reason or _("none given")).rstrip(".")


def _said(told: Sequence[str], *, first: bool) -> str:
    more = len(told) - MOST_TOLD
    parts = [*told[:MOST_TOLD]]
    if more > 0:
        parts.append(ngettext("%(count)s more is on record.", "%(count)s more are on record.", more) % {"count": more})
    said = (
        _("The record was corrected: %(what)s")
        if first
        else _("The record was corrected since the last forecast: %(what)s")
    )
    return said % {"what": " ".join(parts)}
