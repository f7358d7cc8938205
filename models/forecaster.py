"""The forecaster: features, hazard ensemble, recalibration, conformal bound, kinds and flags, joined."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import ValidationError

from models.base.arrays import Floats
from models.base.day_grid import days_told
from models.base.errors import BadInput, OutOfReach, TideoverError, problems_from
from models.base.messages import say, say_together
from models.calibration.conformal import ConformalBound
from models.calibration.recalibration import GroupRecalibration
from models.calibration.workshop_posterior import WorkshopPosterior
from models.features.derived import RawFeatures, derive, surplus_share, without_surplus
from models.features.inferred_topups import with_inferred_topups
from models.features.raw import PLANNED, end_missing_share, raw_and_block, raw_features, readings_not_used
from models.forecasts.attribution import attribute
from models.forecasts.batch import Forecasts, Refused
from models.forecasts.charge_warnings import forbidding, stops_of_warnings
from models.forecasts.earlier_charges import flags_of_earlier_charges
from models.forecasts.endings import ended_packs, ended_since, no_topup, require_holding
from models.forecasts.evidence import evidence_group
from models.forecasts.explanation import READ_OFF_V, Explanation
from models.forecasts.fitted_curves import FittedCurves
from models.forecasts.flags import flags_of, flags_of_unused, nonsense
from models.forecasts.forecast import Flag, Forecast
from models.forecasts.inputs import history_at, inputs_digest, last_seen
from models.forecasts.later_facts import LATER_FACTS, danger_since
from models.forecasts.noted import noted_in
from models.forecasts.seen_range import SeenRange
from models.forecasts.similar_packs import PastPacks
from models.forecasts.value_of_information import worth_of_missing
from models.forecasts.weakness_kind import KINDS, KindClassifier, with_likely_kind
from models.forecasts.withheld import withheld_by
from models.interventions.forward_runs import common_luck
from models.interventions.pack_bank import PackBank, require_bank
from models.interventions.plans import USUAL_PLANS, Plan
from models.interventions.recheck import DEFAULT_RISK, RecheckPlan, recheck_plan
from models.interventions.what_if import WhatIf, nothing_weighed, what_if
from models.packs.contradictions import without_contradictions
from models.packs.family import PackFamily
from models.packs.history import PackHistory, UsagePlan, require_fit
from models.packs.screens import screened
from models.packs.stops import Stopped, require_no_stop, stops_of
from models.packs.tables import (
    HistoryTables,
    block_column,
    from_days,
    histories_of,
    known_at,
    last_facts,
    tables_from_histories,
    to_days,
)
from models.survival.estimator import SurvivalEstimator

WIDENING: Final = 0.5
"""Share of the usual level at which the good-for day is read where the evidence is out of the training range, or the
family was never learned from. Invented."""


class Forecaster(FittedCurves):
    """Turns histories into forecasts. Made by `training.learning.fitting`; holds fitted parts only.

    Parameters
    ----------
    members, recalibration, kinds, seen, posterior
        As of `FittedCurves`.
    bound : ConformalBound
        Fitted on packs that no member has seen.
    past : PastPacks, optional
        To tell of similar ones.
    bank : PackBank, optional
        To run forward under other plans.
    """

    bank: PackBank | None = None  # a model stored before there were banks has none

    def __init__(
        self,
        members: Sequence[SurvivalEstimator],
        recalibration: GroupRecalibration | None,
        bound: ConformalBound,
        kinds: KindClassifier | None,
        seen: SeenRange,
        families: Mapping[str, PackFamily],
        model_id: str,
        past: PastPacks | None = None,
        bank: PackBank | None = None,
        posterior: WorkshopPosterior | None = None,
    ) -> None:
        super().__init__(members, recalibration, kinds, seen, posterior)
        self.bound = bound
        self.families = dict(families)
        self.model_id = model_id
        self.past = past
        self.bank = bank

    def _told(
        self, raw: RawFeatures, X: pd.DataFrame, surplus: Floats, carried: Floats, kinds: Floats | None
    ) -> tuple[Floats, NDArray[np.object_], Floats, NDArray[np.bool_]]:
        """Return what promises rest on: careful curves, groups whose record counts, widening, and if a surplus told.

        `carried` are the curves that promises rest on so far; those of blocks that got more than was missing are
        lowered to what they would be without the surplus.
        """
        told = carried.copy()
        rows, counted = without_surplus(raw, surplus)
        if len(rows):
            # As hard as it was noted, and no harder than any seen: no promise rests on the better of the two.
            told[rows] = np.minimum(told[rows], self.told_curves(derive(counted))[3])
            softer = self._no_harder_than_seen(counted)
            if softer is not counted:
                told[rows] = np.minimum(told[rows], self.told_curves(derive(softer))[3])
        left_out = np.asarray((told < carried).any(axis=1), dtype=np.bool_)
        # Nothing was learned of weather outside of what was seen: it must not lengthen a promise.
        strange, held = self.seen.within(raw.columns["ambient_c"], "ambient_c")
        if len(strange):
            read = _with(self._no_harder_than_seen(raw.take(strange)), "ambient_c", held[strange])
            told[strange] = np.minimum(told[strange], self.told_curves(derive(read))[3])
        group = with_likely_kind(evidence_group(self.seen.readable(X)), kinds)
        widening = np.where(self.seen.outside(X) | self.seen.new_family(X), WIDENING, 1.0)
        return told, group, widening, left_out

    def _no_harder_than_seen(self, raw: RawFeatures) -> RawFeatures:
        """Read a charge harder than any seen as the hardest seen: nothing was learned of it, so nothing grows by it."""
        rate = raw.columns["charge_rate_per_h"]
        hardest = self.seen.high["charge_rate_per_h"]
        return _with(raw, "charge_rate_per_h", np.minimum(rate, hardest)) if (rate > hardest).any() else raw

    def forecast_batch(self, tables: HistoryTables, moments: pd.DataFrame) -> Forecasts:
        """Forecast many moments at once.

        Parameters
        ----------
        tables : HistoryTables
            Packs of known families, each with a top-up or two rest readings at or before its origin.
        moments : DataFrame
            ``pack_id`` and ``origin`` (UTC).
        """
        return self._batch(tables, *with_inferred_topups(tables), moments)

    def _batch(self, known: HistoryTables, full: HistoryTables, inferred: set[str], moments: pd.DataFrame) -> Forecasts:
        count, seen, origin = len(moments), last_seen(full, moments), to_days(moments["origin"])
        unseen = np.maximum(np.nan_to_num(origin - seen), 0.0)
        # Promises rest on what was known at the newest record, under the plans known by the origin. Both are read.
        late = np.flatnonzero(unseen > 0)
        of, told_at = np.append(np.arange(count), late), np.arange(count)
        told_at[late] = np.arange(count, len(of))
        ids = moments["pack_id"].to_numpy(dtype=object)[of]
        raw, block = raw_and_block(
            full, pd.DataFrame({"pack_id": ids, "origin": from_days(np.append(origin, seen[late]))})
        )
        raw = RawFeatures({**raw.columns, **{name: raw.columns[name][of] for name in PLANNED}}, raw.families)
        X, surplus = derive(raw), surplus_share(raw)
        read = self._no_harder_than_seen(raw)
        survival, low, high, carried = self.told_curves(X if read is raw else derive(read))
        kinds = None if self.kinds is None else self.kinds.predict(self.seen.readable(X))
        told, group, widening, left_out = self._told(
            raw.take(told_at),
            X.iloc[told_at],
            surplus[told_at],
            carried[told_at],
            None if kinds is None else kinds[told_at],
        )
        X, surplus, block = X.iloc[:count].set_axis(moments.index), surplus[:count], block[:count]
        survival, low, high = survival[:count], low[:count], high[:count]
        kinds = None if kinds is None else kinds[:count]
        return Forecasts(
            moments=moments[["pack_id", "origin"]],
            X=X,
            survival=survival,
            band_low=low,
            band_high=high,
            told_survival=told,
            unseen_days=unseen,
            surplus_left_out=left_out,
            kinds=kinds,
            group=group,
            widening=widening,
            surplus=surplus,
            reachable=np.array([found is None for found in nonsense(X)], dtype=np.bool_),
            inferred=moments["pack_id"].isin(inferred).to_numpy(),
            block=block,
            known=known,
        )

    def forecast_each(
        self, tables: HistoryTables, moments: pd.DataFrame | None = None
    ) -> tuple[Forecasts, list[Refused]]:
        """Forecast one moment of each of many packs, just as one by one: what `forecast` refuses is told and left out.

        Parameters
        ----------
        tables : HistoryTables
            As read: nothing needs to have been checked but the types of the columns. Rows of one pack in order of time.
        moments : DataFrame, optional
            ``pack_id``, each once and among ``tables.packs``, and ``origin`` (UTC). Facts after it are not used. A pack
            whose origin is missing, and every pack if all of it is left out, is forecast as things stand: at its newest
            reading, top-up or plan; what ended its top-up since then counts too.

        Returns
        -------
        forecasts : Forecasts
            Of the packs that can be forecast, in the order of `moments`.
        refused : list of Refused
            The others, in the same order, with what `forecast` raises.
        """
        tables = replace(tables, families={**self.families, **tables.families})
        every, standing = _origins(tables, moments)
        tables = tables.of_packs(every["pack_id"])
        errors = self._refused(tables, every, standing)
        asked = every[~every["pack_id"].isin(errors)].reset_index(drop=True)
        known = known_at(tables, asked)
        errors |= ended_packs(known) | ended_packs(tables.of_packs(set(asked["pack_id"]) & standing))
        full, inferred = with_inferred_topups(known)
        topped = {*full.topups["pack_id"], *errors}
        errors |= {pack_id: no_topup() for pack_id in asked["pack_id"][~asked["pack_id"].isin(topped)]}
        batch = self._batch(known, full, inferred, asked[~asked["pack_id"].isin(errors)].reset_index(drop=True))
        strange = ~batch.reachable
        for pack_id, said in zip(batch.moments["pack_id"][strange], nonsense(batch.X[strange]), strict=True):
            errors[pack_id] = _out_of_reach(said)
        return batch.take(batch.reachable), [Refused(p, errors[p]) for p in every["pack_id"] if p in errors]

    def _refused(self, tables: HistoryTables, moments: pd.DataFrame, standing: set[str]) -> dict[str, TideoverError]:
        """Ask the packs that may be unsound, or stop, one by one."""
        known = known_at(tables, moments)
        held = screened(tables, known)
        doubtful = tables.of_packs(tables.packs["pack_id"][held.held_up])
        origins = dict(zip(moments["pack_id"], moments["origin"], strict=True))
        errors: dict[str, TideoverError] = {}
        asked = zip(doubtful.packs["pack_id"], histories_of(doubtful), held.codes(), strict=True)
        for pack_id, history, stops in asked:
            try:
                if isinstance(history, ValidationError):
                    raise BadInput(problems_from(history))
                family = tables.families.get(history.family)
                at = None if pack_id in standing else origins[pack_id].to_pydatetime()
                self._require_sound(history, at, family, among=stops)
            except TideoverError as error:
                # With where it came from it would hold on to everything that was at hand there: all tables.
                errors[pack_id] = error.with_traceback(None)
        return errors

    def forecast(
        self,
        history: PackHistory,
        at: datetime | None = None,
        usage: UsagePlan | None = None,
        family: PackFamily | None = None,
    ) -> Forecast:
        """Forecast one pack: a batch of one.

        Parameters
        ----------
        at : datetime, optional
            Origin, with offset; the newest reading, top-up or plan if left out. Facts after it are not used.
        usage : UsagePlan, optional
            Takes the place of the history's own plans.
        family : PackFamily, optional
            Where the history's family is not one of `families`.

        Raises
        ------
        BadInput
            If the history does not fit its family, or nothing is holding at the origin.
        OutOfReach
            If a value can be true of no pack.
        Stopped
            If a fact ends the job until something else is done (`models.packs.stops.STOPS`).
        """
        return self._forecast(history, at, usage, family)[0]

    def explain(
        self,
        history: PackHistory,
        at: datetime | None = None,
        usage: UsagePlan | None = None,
        family: PackFamily | None = None,
    ) -> Explanation:
        """Forecast one pack and say what moves the forecast; parameters and errors as for `forecast`.

        See `models.forecasts.attribution.attribute` for what the contributions mean,
        `models.forecasts.similar_packs.PastPacks` for likeness.
        """
        forecast, tables, batch = self._forecast(history, at, usage, family)
        raw = self._no_harder_than_seen(raw_features(tables, batch.moments))
        rows, counted = without_surplus(raw, batch.surplus)
        # What went in beyond what was missing is promised nothing for, and so lengthens nothing.
        careful = len(rows) > 0 and self.mean_days(derive(counted))[0] < forecast.restricted_mean()
        parts = attribute(counted if careful else raw, 0, self.mean_days)
        read_off = self._read_off(tables, batch)
        if self.past is None:
            return Explanation(forecast, parts.reference_days, parts.contributions, (), {}, read_off)
        similar = self.past.nearest(batch.X, history.pack_id)
        worth = worth_of_missing(raw, 0, batch.X, history.pack_id, self.past, self.mean_days)
        return Explanation(forecast, parts.reference_days, parts.contributions, similar, worth, read_off)

    def _read_off(self, tables: HistoryTables, batch: Forecasts) -> tuple[float, float] | None:
        """Forecast the one pack of a batch again, its newest reading at rest off by `READ_OFF_V`."""
        name, reads = block_column(int(batch.block[0])), tables.readings
        if name not in reads:  # nothing was read of any block
            return None
        rest = (reads["state"] == "rest") & reads[name].notna() & (reads["time"] <= batch.moments["origin"].iloc[0])
        if not rest.any():
            return None
        newest = reads["time"].where(rest).idxmax()
        off = []
        for volts in (-READ_OFF_V, READ_OFF_V):
            column = reads[name].mask(reads.index == newest, reads[name] + volts)
            changed = replace(tables, readings=reads.assign(**{name: column}))
            X = derive(raw_features(changed, batch.moments))
            off.append(float(self.mean_days(X)[0]))
        return off[0], off[1]

    def what_if(
        self,
        history: PackHistory,
        plans: Sequence[Plan] = USUAL_PLANS,
        at: datetime | None = None,
        usage: UsagePlan | None = None,
        family: PackFamily | None = None,
    ) -> WhatIf:
        """Forecast one pack under other plans.

        Parameters and errors as for `forecast` and `models.interventions.what_if.what_if`.

        Every pack meets the same random numbers (`models.interventions.forward_runs.common_luck`). Where a fact,
        or a grave warning of the top-up that is out, ends charging alone, plans with a charge are left out, and a flag
        says why; if no other was asked for, it is raised. Where the forecast's days are withheld no plan is weighed.
        """
        bank = require_bank(self.bank)
        forecast, _, batch = self._forecast(history, at, usage, family)
        family = family or self.families[history.family]
        stops = stops_of(history, family, at=forecast.origin, charging=True)
        warned = forbidding(forecast.flags)
        if (stops or warned) and any(plan.topped_blocks for plan in plans):
            plans = [plan for plan in plans if not plan.topped_blocks]
            if not plans:
                raise Stopped((*stops, *stops_of_warnings(warned)), family)
            said = (
                say("Plans with a charge are left out: %(why)s", why=say_together(*(stop.text for stop in stops)))
                if stops
                else say("No further charge is weighed until what the forecast warns of has been looked at.")
            )
            forecast = replace(forecast, flags=(*forecast.flags, Flag("no-charging", said)))
        if forecast.withheld_by:
            return nothing_weighed(forecast)
        return what_if(forecast, batch.X, self.summary(batch.X)[0], bank.of_family(family), common_luck(), plans)

    def recheck_plan(
        self,
        history: PackHistory,
        risk: float = DEFAULT_RISK,
        at: datetime | None = None,
        usage: UsagePlan | None = None,
        family: PackFamily | None = None,
    ) -> RecheckPlan:
        """Say when to read one pack again, and what the reading will mean.

        Parameters and errors as for `forecast` and `models.interventions.recheck.recheck_plan`; random as `what_if`.
        """
        bank = require_bank(self.bank)
        forecast, tables, batch = self._forecast(history, at, usage, family)
        kept = bank.of_family(family or self.families[history.family])
        return recheck_plan(forecast, tables, batch.X, self.summary(batch.X)[0], kept, self, common_luck(), risk)

    def promised_days(self, raw: RawFeatures, confidence: float) -> Floats:
        """Return the days told of packs that were read at their origin, as `Forecast.good_for`, shape (n,).

        What forbids driving is not asked (`forbidden`).
        """
        X, read = derive(raw), self._no_harder_than_seen(raw)
        survival, _, _, carried = self.told_curves(X if read is raw else derive(read))
        kinds = None if self.kinds is None else self.kinds.predict(self.seen.readable(X))
        told, group, widening, _ = self._told(raw, X, surplus_share(raw), carried, kinds)
        levels = [
            self.bound.told_level(confidence, str(name), float(width))
            for name, width in zip(group, widening, strict=True)
        ]
        return days_told(survival, told, 0.0, np.array(levels))

    def forbidden(self, tables: HistoryTables, moments: pd.DataFrame) -> NDArray[np.bool_]:
        """Tell which packs no days are told of: what `forecast` refuses, and where a flag withholds them, shape (n,).

        Parameters as for `forecast_each`.
        """
        batch, _ = self.forecast_each(tables, moments)
        told = zip(batch.moments["pack_id"], self.flags(batch), strict=True)
        allowed = [pack_id for pack_id, flags in told if not withheld_by(flags)]
        return ~moments["pack_id"].isin(allowed).to_numpy()

    def _require_sound(
        self,
        history: PackHistory,
        at: datetime | None,
        family: PackFamily | None,
        usage: UsagePlan | None = None,
        among: Collection[str] | None = None,
    ) -> tuple[PackHistory, datetime, PackFamily]:
        """Return what is known at the origin, that, and the family; raise what `forecast` raises at first sight.

        `among` as for `stops_of`.
        """
        family = family or self.families.get(history.family)
        if family is None:
            raise BadInput.one(
                "family",
                f"'{history.family}' is not a known family.",
                f"Name one of {', '.join(self.families)}, or define it.",
            )
        require_fit(history, family)
        origin = history.last_fact_time if at is None else at
        if origin.tzinfo is None:
            raise BadInput.one(
                "at", f"{origin.isoformat()} has no offset.", "Write the time as in 2026-03-02T08:30:00+00:00."
            )
        known = history_at(history, origin)
        if usage is not None:
            known = known.model_copy(update={"usage": (usage.model_copy(update={"time": None}),)})
        # Before the end of its top-up: what was done to a block stands whether the fault came back or not.
        require_no_stop(known, family, among=among)
        # What ended the top-up later than the newest reading is known too, unless the question is of an earlier moment.
        require_holding(history if at is None else known, known)
        return known, origin, family

    def _forecast(
        self, history: PackHistory, at: datetime | None, usage: UsagePlan | None, family: PackFamily | None
    ) -> tuple[Forecast, HistoryTables, Forecasts]:
        """Return the forecast, and the tables and the batch of one that it was made from."""
        known, origin, family = self._require_sound(history, at, family, usage)
        tables = tables_from_histories([known], {family.name: family})
        full, inferred = with_inferred_topups(tables)
        if full.topups.empty:
            raise no_topup()
        moments = pd.DataFrame({"pack_id": [history.pack_id], "origin": pd.to_datetime([origin], utc=True)})
        batch = self._batch(tables, full, inferred, moments)
        if (impossible := nonsense(batch.X)[0]) is not None:
            raise _out_of_reach(impossible)
        later: Mapping[str, tuple[Flag, ...]] = {}
        if at is not None:
            later = self.flags_of_later(tables_from_histories([history], {family.name: family}), moments)
        flags = later.get(history.pack_id, ()) + self.flags(batch)[0]
        forecast = Forecast(
            pack_id=history.pack_id,
            origin=origin,
            days_held=float(batch.X["held_days"].iloc[0]),
            survival=batch.survival[0],
            band_low=batch.band_low[0],
            band_high=batch.band_high[0],
            told_survival=batch.told_survival[0],
            kinds=None if batch.kinds is None else dict(zip(KINDS, batch.kinds[0].tolist(), strict=True)),
            flags=flags,
            model_id=self.model_id,
            inputs_digest=inputs_digest(known, origin, family),
            group=str(batch.group[0]),
            bound=self.bound,
            widening=float(batch.widening[0]),
            unseen_days=float(batch.unseen_days[0]),
            surplus_left_out=bool(batch.surplus_left_out[0]),
            own_outcomes=self.own_outcomes,
            sister_outcomes=self.sister_outcomes,
            block=int(batch.block[0]),
        )
        return forecast, full, batch

    @property
    def own_outcomes(self) -> int:
        """Outcomes of a workshop's own that every forecast rests on, beside simulated packs."""
        return 0 if self.own is None else self.own.outcomes

    def flags_of_later(self, tables: HistoryTables, moments: pd.DataFrame) -> dict[str, tuple[Flag, ...]]:
        """Say of forecasts of chosen moments what is on record after them; nobody is let go by a view of the past.

        Parameters
        ----------
        tables : HistoryTables
            All that is on record, facts after the moments too.
        moments : DataFrame
            ``pack_id``, each once, and ``origin`` (UTC); a pack without one is asked about as things stand.

        Returns
        -------
        dict of str to tuple of Flag
            By pack, of those with anything to say. What stops the pack as things stand, or withholds its days, is
            grave.
        """
        ended = ended_since(tables, moments)
        facts = pd.concat([tables.readings[["pack_id", "time"]], tables.topups[["pack_id", "time"]]])
        newest = facts.groupby("pack_id", sort=False)["time"].max().reindex(moments["pack_id"]).to_numpy()
        late = moments["pack_id"][(moments["origin"].to_numpy() < newest)]
        found: dict[str, tuple[Flag, ...]] = {pack_id: (flag,) for pack_id, flag in ended.items()}
        if late.empty:
            return found
        batch, refused = self.forecast_each(tables.of_packs(late))
        present = dict(zip(batch.moments["pack_id"], self.flags(batch), strict=True))
        withholding = {name: [f.text for f in flags if withheld_by([f])] for name, flags in present.items()}
        for one in refused:
            if isinstance(one.error, Stopped):
                withholding[one.pack_id] = [stop.text for stop in one.error.stops]
        origins = dict(zip(moments["pack_id"], moments["origin"], strict=True))
        for pack_id in late:
            told = withholding.get(pack_id, [])
            danger = (danger_since(origins[pack_id].to_pydatetime(), told),) if told else ()
            found[pack_id] = (*danger, *found.get(pack_id, ()), LATER_FACTS)
        return found

    def flags(self, batch: Forecasts) -> list[tuple[Flag, ...]]:
        """Say what the reader of each forecast should know of its evidence.

        Parameters
        ----------
        batch : Forecasts
            One moment a pack, and facts after it are not among `batch.known`.

        Returns
        -------
        list of tuple of Flag, length len(batch)
        """
        packs, tables = batch.moments["pack_id"], batch.known
        told = flags_of(batch.X, self.seen, batch.inferred, batch.surplus, noted_in(tables, batch.moments))
        earlier = flags_of_earlier_charges(tables, batch.moments)
        unused = _flags_of_unused(tables, packs)
        return [
            unused.get(pack_id, ()) + flags + before
            for pack_id, flags, before in zip(packs, told, earlier, strict=True)
        ]


def _origins(tables: HistoryTables, moments: pd.DataFrame | None) -> tuple[pd.DataFrame, set[str]]:
    """Return moments that are whole, and the packs that are asked about as things stand."""
    newest = last_facts(tables)
    if moments is None:
        return newest, set(newest["pack_id"])
    missing = moments["origin"].isna().to_numpy()
    standing = set(moments["pack_id"][missing])
    if not standing:
        return moments, standing
    of = newest.set_index("pack_id")["origin"].reindex(moments["pack_id"]).set_axis(moments.index)
    return moments.assign(origin=moments["origin"].where(~missing, of)), standing


def _flags_of_unused(tables: HistoryTables, packs: pd.Series[Any]) -> dict[str, tuple[Flag, ...]]:
    """Name the readings that no figure rests on, by pack."""
    count = readings_not_used(tables)
    if not count.any():
        return {}
    doubted = tables.of_packs(set(count.index[count > 0]) & set(packs))
    found = {}
    for history in histories_of(doubted):
        assert isinstance(history, PackHistory)  # of which a forecast was made
        unused = without_contradictions(history, tables.families[history.family])[1]
        found[history.pack_id] = flags_of_unused(unused)
    return found


def _out_of_reach(impossible: str | None) -> OutOfReach:
    return OutOfReach(f"{impossible} Check the value, or leave it out.")


def _with(raw: RawFeatures, name: str, values: Floats) -> RawFeatures:
    """Read rows with other values of a feature, and with what another rate of the charge makes of its end."""
    columns = {**raw.columns, name: values}
    if name == "charge_rate_per_h":
        columns["end_missing_share"] = end_missing_share(raw.families, columns["end_v_per_cell"], values)
    return RawFeatures(columns, raw.families)
