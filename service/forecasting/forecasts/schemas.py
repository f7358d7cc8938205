"""What a forecast is asked with, and what it answers: the same over REST and on the command line."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, FiniteFloat, PrivateAttr, model_validator

from models.base.day_grid import HORIZON_DAYS
from models.base.errors import wrong
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE, Truth
from models.features.definitions import Evidence
from models.forecasts.forecast import Flag
from models.forecasts.similar_packs import Became
from models.packs.family import PackFamily
from models.packs.history import PackHistory, UsagePlan
from service.core.translation import N_, _

Confidence = Annotated[FiniteFloat, Field(ge=0.5, le=0.99), NO_TRUTH_VALUE]
DEFAULT_CONFIDENCES = (0.8, 0.9, 0.95)


class PackQuestion(BaseModel):
    """What is asked about a pack. All of it may be left out."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Moment | None = Field(
        None, description="Moment of the forecast, with offset; without it the newest reading, top-up or plan."
    )
    usage: UsagePlan | None = Field(
        None,
        description="How the vehicle will be used from that moment on; fields left out keep the newest plan before it.",
    )


class PackCase(PackQuestion):
    """A pack's whole history, and the moment and use that are asked about."""

    to_begin: ClassVar[str] = N_("Record the top-up first.")
    """What to do where nothing is recorded of a pack."""

    _corrected: tuple[Flag, ...] = PrivateAttr(())

    history: PackHistory = Field(description="Everything known about the pack.")
    family: PackFamily | None = Field(
        None, description="A pack family defined here, if the history names one that `/v1/families` does not list."
    )

    @model_validator(mode="before")
    @classmethod
    def _history_is_wrapped(cls, content: Any) -> Any:
        own = {"pack_id", "readings", "topups", "outcomes"}
        if isinstance(content, dict) and "history" not in content and own & content.keys():
            raise wrong(
                "This is a history by itself; a question has it under the name history.",
                "Wrap it: {\"history\": {…}}. In a shell: jq '{history: .}' history.json > case.json.",
            )
        return content

    def with_corrected(self, corrected: Flag | None) -> Self:
        """Return it with what was taken away of a stored record, or of what the model rests on: nobody sends that."""
        case = self.model_copy()
        case._corrected = (*self._corrected, *filter(None, (corrected,)))
        return case

    @property
    def corrected(self) -> list[EvidenceFlag]:
        """What was taken away (`service.records.taken_away`, `service.forecasting.model.basis`)."""
        return [EvidenceFlag.of(flag) for flag in self._corrected]

    @model_validator(mode="after")
    def _family_is_the_one_named(self) -> Self:
        if self.family is not None and self.family.name != self.history.family:
            raise wrong(
                f"history.family is {self.history.family!r}, but the family defined here is {self.family.name!r}.",
                "Give both the same name, or leave family out.",
            )
        return self


class Wait(BaseModel):
    """The wait for the replacement pack, as whoever asks for a forecast states it."""

    replacement_in_days: Annotated[FiniteFloat, Field(ge=0, le=HORIZON_DAYS), NO_TRUTH_VALUE] | None = Field(
        None, description="Days after the moment of the forecast until the replacement pack arrives."
    )


class ForecastQuestion(PackQuestion, Wait):
    """What is asked about how long a pack will hold. All of it may be left out."""

    confidence: Annotated[tuple[Confidence, ...], Field(min_length=1, max_length=10)] = Field(
        DEFAULT_CONFIDENCES, description="Confidences at which to say for how many days the top-up is good."
    )
    explain: Truth = Field(
        False,
        description="Also say what moves the forecast, and which past packs are most like this one. Takes longer.",
    )


class ForecastCase(PackCase, ForecastQuestion):
    """A pack's whole history, and what is asked about it. A case file holds the same."""


class ReturnDay(BaseModel):
    """The day by which a share of such packs is back."""

    returned: float = Field(description="Share of such packs.")
    day: float | None = Field(description="Days after the origin; null if beyond the horizon.")
    beyond_horizon: bool = Field(description="Fewer than this share are back by the horizon; nothing is claimed later.")


class GoodFor(BaseModel):
    """For how long a top-up can be relied on, at a stated confidence."""

    confidence: float
    days: float | None = Field(
        description="Days; the horizon if the bound lies there or beyond. Null where they are withheld."
    )
    beyond_horizon: bool = Field(description="The bound lies at the horizon or beyond; nothing is claimed later.")
    guarantee: str = Field(description="What the confidence promises, and what it does not.")


class UntilReplacement(BaseModel):
    """The wait for the replacement pack."""

    days: float
    hold_probability: float | None = Field(
        description="Read off what is promised, so at least a confidence where the day lies within the days promised "
        "at it; where days went by unseen or more was put in than was missing it is less than `survival`. It and its "
        "band are null where they are withheld."
    )
    band_low: float | None
    band_high: float | None


class EvidenceFlag(BaseModel):
    """Something about the evidence that a reader should know."""

    code: str
    text: str
    grave: bool = Field(
        False, description="Look at this before anything else: somebody may be hurt, or the figures mean little."
    )

    @classmethod
    def of(cls, flag: Flag) -> Self:
        """Return it in the language spoken."""
        return cls(code=flag.code, text=_(flag.text), grave=flag.grave)


class ForecastFigures(BaseModel):
    """The figures of a forecast."""

    pack_id: str
    family: str
    origin: AwareDatetime = Field(description="Moment of the forecast; all days count from here.")
    days_held: float = Field(description="Days between the end of the charge and the origin.")
    withheld_by: list[str] = Field(
        default_factory=list,
        description="Codes of the flags that withhold every day and chance told beside the curve: the pack is looked "
        "at, or read, before it is driven. The curve stays, for what a decision to buy rests on; it promises nothing.",
    )
    good_for: list[GoodFor]
    until_replacement: UntilReplacement | None = Field(description="Null if no day of arrival was given.")
    return_days: list[ReturnDay] = Field(description="Quantiles of the day of the fault's return; none if withheld.")
    restricted_mean_days: float | None = Field(
        description="Mean of the days held, counting none beyond the horizon; null if withheld."
    )
    horizon_days: float
    told_levels: list[float] | None = Field(
        None,
        description="By risk in whole per cents, 0 to 100: the return probability on the curve at which the promised "
        "day is read off, never above the risk itself. Orders go by it. Null in forecasts of before.",
    )
    surplus_left_out: bool = Field(
        False,
        description="More went in than was missing: promised days are read off a lower curve, as if it had not.",
    )
    days: list[float] = Field(description="The day grid.")
    survival: list[float] = Field(description="Probability that the fault has not returned by each day.")
    band_low: list[float] = Field(
        description="Lower edge of the band that holds the curve in nine in ten of the worlds still possible."
    )
    band_high: list[float]
    kinds: dict[str, float] | None = Field(description="Probability of each kind of weakness; null if not told.")
    flags: list[EvidenceFlag]
    own_outcomes: int | None = Field(
        None, description="Outcomes of your own that it rests on, beside simulated packs; null in forecasts of before."
    )
    sister_outcomes: int = Field(0, description="Outcomes of sister workshops that it rests on as well.")
    block: int | None = Field(None, description="The (first) block of the newest top-up; null in forecasts of before.")
    grid_version: str
    model_id: str
    inputs_digest: str = Field(description="Digest of the inputs: the same inputs give the same digest.")


class EvidenceEffect(BaseModel):
    """What one kind of evidence does to the forecast."""

    evidence: Evidence
    days: float = Field(description="Added to the mean days held; negative if it shortens them, 0 if not known.")
    known: bool = Field(description="Whether anything of it is recorded.")
    worth_days: float | None = Field(
        None,
        description="How far knowing it moved the forecasts of similar past packs, one way or the other (root mean "
        "square, days); null if it is known, or if too few past packs had it.",
    )


class SimilarPastPack(BaseModel):
    """A past pack that was much like this one, and what became of it."""

    pack_id: str
    family: str
    days_held: float = Field(description="Days its top-up had held at the moment that is compared.")
    further_days: float = Field(
        description="Days from then until it came back, was replaced or was last known to hold."
    )
    became: Became
    kind: str | None = Field(description="Its kind of weakness; null if not known.")
    distance: float = Field(description="0 (alike in all that is known) to 1.")
    same_situation: bool = Field(description="Of the same chemistry, with evidence of the same sort.")
    invented: bool = Field(description="Simulated: no such pack was ever seen.")
    sentence: str


class BlockState(BaseModel):
    """Charge that the topped-up block lacks by its newest reading at rest, Ah: what a top-up plan says of it."""

    best: float = Field(description="Below 0 it stands above its peers.")
    low: float = Field(description="The truth lies between low and high nine times in ten.")
    high: float
    sentence: str


class ForecastExplanation(BaseModel):
    """What moves the forecast."""

    reference_days: float = Field(
        description="Mean days held (none counted beyond the horizon) if only the family and the days held were known."
    )
    contributions: list[EvidenceEffect] = Field(
        description="The largest first; with the reference they add up to `restricted_mean_days`."
    )
    sentences: list[str] = Field(description="The same in plain words; none where the forecast's days are withheld.")
    to_measure: list[str] = Field(
        description="What is not known and would sharpen the forecast, and by how much, in plain words; what is worth "
        "most first."
    )
    similar: list[SimilarPastPack] = Field(description="The most similar past packs, the nearest first.")
    read_off_days: tuple[float, float] | None = Field(
        None,
        description="Mean days held if the newest reading of the topped block at rest had been 0.1 V lower, and "
        "higher; null where it was not read at rest, or withheld.",
    )
    block_state: BlockState | None = Field(
        None,
        description="How far the topped-up block is from its peers; null where no reading at rest of late tells, or of "
        "lithium-ion cells.",
    )


class ForecastAnswer(ForecastFigures):
    """A forecast in plain sentences and figures, with the cautions that always go with it."""

    lead: list[str] = Field(
        default_factory=list,
        description="Three lines that come first: may it go by these figures, until when, and what to measure next. "
        "Empty in forecasts of before.",
    )
    sentences: list[str] = Field(description="The answer in plain words, for reading aloud.")
    cautions: list[str]
    explanation: ForecastExplanation | None = Field(None, description="Null unless the request asked to explain.")
