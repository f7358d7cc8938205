"""The hold curve as a picture."""

from __future__ import annotations

from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from models.base.percents import level_percent
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.forecasting.forecasts.sentences import main_promise, promised, promised_days, releases


def draw_hold_curve(answer: ForecastAnswer, path: Path) -> None:
    """Draw the hold curve, its band and the marks that matter; SVG or PNG by the name's ending.

    Lines differ by stroke as well as by colour, and every mark carries its words.
    """
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.fill_between(answer.days, answer.band_low, answer.band_high, alpha=0.25, label="what the model does not know")
    axes.plot(answer.days, answer.survival, linewidth=2, label="share still holding")
    if releases(answer):
        days, level = promised_days(answer), level_percent(main_promise(answer).confidence)
        words = f"good for {promised(days)} days at {level}"
        axes.axvline(days, linestyle="--", color="black", label=words)
    else:
        axes.plot([], [], " ", label="there is no day that you can count on")
    if answer.until_replacement is not None:
        arrival = answer.until_replacement.days
        axes.axvline(arrival, linestyle=":", color="black", label=f"replacement arrives on day {arrival:g}")
    axes.set(
        xlim=(0, answer.horizon_days),
        ylim=(0, 1.02),
        xlabel=f"days after {answer.origin.isoformat(sep=' ', timespec='minutes')}",
        ylabel="probability that the fault has not returned",
        title=f"Pack {answer.pack_id}: a probability is not permission",
    )
    axes.grid(alpha=0.3)
    axes.legend(loc="upper right")
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)
