"""``tideover receivers``: add, list, test, pause, resume, remove, failures, retry."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

import typer
from pydantic import ValidationError
from rich.table import Table

from models.base.errors import BadInput, problems_from
from service.cli.errors import FAILURE_STATUS, plain_errors
from service.cli.printing import AsJson, echo, out, print_json
from service.cli.surroundings import COMMAND_LINE, open_store_here, settings_here

app = typer.Typer(no_args_is_help=True, help="Enter, try, pause and remove receivers of notices: mail and webhooks.")

Number = Annotated[int, typer.Argument(help="Number of the receiver, as `tideover receivers list` shows it.")]


@app.command("add")
@plain_errors
def add(
    address: Annotated[str, typer.Argument(help="A mail address, or an https address of a program.")],
    title: Annotated[str, typer.Option(help="Whose it is, in a word or two.")],
    wants: Annotated[
        list[str] | None,
        typer.Option(help="stop, recheck, order, fault, alarm; repeat it for several. Without it, all."),
    ] = None,
    days_ahead: Annotated[int, typer.Option(help="Days before a recheck or order day at which it is told.")] = 1,
    fault_within_days: Annotated[int, typer.Option(help="Days within which a likely return is told.")] = 7,
    fault_chance: Annotated[float, typer.Option(help="Chance from which on that counts as likely.")] = 0.5,
) -> None:
    """Enter a receiver of notices; the secret that a webhook is signed with is printed this once."""
    from service.notices.receivers import ABOUT, NewReceiver, add_receiver, kind_of, shown_address

    settings = settings_here()
    try:
        wanted = NewReceiver.model_validate(
            {
                "kind": kind_of(address),
                "title": title,
                "address": address,
                "wants": wants or list(ABOUT),
                "days_ahead": days_ahead,
                "fault_within_days": fault_within_days,
                "fault_chance": fault_chance,
            }
        )
    except ValidationError as error:
        raise BadInput(problems_from(error)) from None
    with open_store_here(settings) as store, store.writing() as session:
        row = add_receiver(session, wanted, COMMAND_LINE, datetime.now(UTC))
    if row.secret is not None:
        out().print(row.secret)
        echo("With this its requests are signed. It is shown this once: keep it safe.", err=True)
    echo(f"Receiver {row.id}: {row.kind} to {shown_address(row)}.", err=True)
    if settings.outgoing == "off":
        echo("Nothing leaves yet: TIDEOVER_OUTGOING=on allows it, for service and worker.", err=True)
    elif row.kind == "mail" and not (settings.mail_server and settings.mail_from):
        echo("No mail leaves yet: TIDEOVER_MAIL_SERVER and TIDEOVER_MAIL_FROM name the mail server.", err=True)


@app.command("list")
@plain_errors
def list_receivers(as_json: AsJson = False) -> None:
    """List the receivers: what each wants, what waits for it, what did not arrive."""
    from service.notices.receivers import receivers
    from service.operation.receiver_routes import ReceiverFacts, facts_of

    with open_store_here(settings_here()) as store, store.reading() as session:
        found = [ReceiverFacts.model_validate(facts_of(session, row)) for row in receivers(session)]
    if as_json:
        print_json([one.model_dump(mode="json") for one in found])
        return
    table = Table("number", "for", "address", "wants", "waiting", "failed", "paused", box=None)
    for one in found:
        paused = (
            "" if one.paused_at is None else " ".join(filter(None, [one.paused_at.date().isoformat(), one.paused_why]))
        )
        table.add_row(
            str(one.id), one.title, one.address, ", ".join(one.wants), str(one.waiting), str(one.failed), paused
        )
    out().print(table)


@app.command("test")
@plain_errors
def test(number: Number) -> None:
    """Send a test message to a receiver now, and say whether it arrived."""
    from service.notices.outbox import deliver, put_test, require_outgoing
    from service.notices.receivers import the_receiver

    settings = settings_here()
    sending = require_outgoing(settings)
    said: list[str | None] = []
    with open_store_here(settings) as store:
        with store.writing() as session:
            receiver = the_receiver(session, number)
            if receiver.paused_at is not None:
                raise BadInput.one("number", "This receiver is paused.", f"Run `tideover receivers resume {number}`.")
            message = put_test(session, receiver, datetime.now(UTC))
        deliver(
            store,
            sending,
            lambda: datetime.now(UTC),
            message_id=message.id,
            tell=lambda _message, _receiver, problem: said.append(problem),
        )
    if said == [None]:
        out().print("It arrived.")
        return
    echo(f"It did not arrive. {said[0] if said else ''} It is tried again.".replace("  ", " "), err=True)
    raise typer.Exit(FAILURE_STATUS)


@app.command("pause")
@plain_errors
def pause_receiver(number: Number) -> None:
    """Send a receiver nothing until it is resumed; what waits for it goes on waiting."""
    from service.notices.receivers import pause, the_receiver

    with open_store_here(settings_here()) as store, store.writing() as session:
        pause(the_receiver(session, number), datetime.now(UTC))
    out().print(f"Receiver {number} is paused.")


@app.command("resume")
@plain_errors
def resume_receiver(number: Number) -> None:
    """Let a paused receiver be told again; what waited for it is tried at once."""
    from service.notices.receivers import resume, the_receiver

    with open_store_here(settings_here()) as store, store.writing() as session:
        resume(session, the_receiver(session, number), datetime.now(UTC))
    out().print(f"Receiver {number} is told again.")


@app.command("remove")
@plain_errors
def remove_receiver(number: Number) -> None:
    """Forget a receiver, its secret and what waits for it."""
    from service.notices.receivers import remove, the_receiver

    with open_store_here(settings_here()) as store, store.writing() as session:
        remove(session, the_receiver(session, number))
    out().print(f"Receiver {number} is forgotten.")


@app.command("failures")
@plain_errors
def failures(as_json: AsJson = False) -> None:
    """List the messages that did not arrive: given up, or tried in vain so far."""
    from sqlalchemy import select

    from service.store.schema import OutgoingMessage

    failed = (OutgoingMessage.state != "sent", OutgoingMessage.problem.is_not(None))
    told = ("id", "receiver_id", "state", "attempts", "created_at", "next_try_at", "problem")
    with open_store_here(settings_here()) as store, store.reading() as session:
        query = select(OutgoingMessage).where(*failed).order_by(OutgoingMessage.id)
        rows: list[dict[str, Any]] = [{name: getattr(row, name) for name in told} for row in session.scalars(query)]
    if as_json:
        print_json(rows)
        return
    table = Table("message", "receiver", "state", "tries", "next try", "why", box=None)
    for row in rows:
        following = row["next_try_at"].isoformat(" ", "minutes") if row["state"] == "waiting" else ""
        table.add_row(
            str(row["id"]), str(row["receiver_id"]), row["state"], str(row["attempts"]), following, row["problem"]
        )
    out().print(table)


@app.command("retry")
@plain_errors
def retry(number: Number) -> None:
    """Have what was given up for a receiver tried once more, by the worker."""
    from service.notices.outbox import try_again
    from service.notices.receivers import the_receiver

    with open_store_here(settings_here()) as store, store.writing() as session:
        many = try_again(session, the_receiver(session, number).id, datetime.now(UTC))
    out().print("One message is tried again." if many == 1 else f"{many} messages are tried again.")
