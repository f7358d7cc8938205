"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_MOMENT = sa.DateTime(timezone=True)
_ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "api_keys",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("title", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("created_at", _MOMENT, nullable=False),
        sa.Column("expires_at", _MOMENT, nullable=True),
        sa.Column("last_used_at", _MOMENT, nullable=True),
        sa.Column("revoked_at", _MOMENT, nullable=True),
        sa.CheckConstraint(
            "role IN ('bench', 'parts', 'fleet', 'admin', 'read-only')", name=op.f("ck_api_keys_known_role")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_keys")),
        sa.UniqueConstraint("digest", name=op.f("uq_api_keys_digest")),
    )
    op.create_table(
        "audit",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("at", _MOMENT, nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("action", sa.String(length=48), nullable=False),
        sa.Column("record_id", sa.String(length=64), nullable=True),
        sa.Column("request_id", sa.String(length=64), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_audit_at"), "audit", ["at"])
    op.create_table(
        "earlier_versions",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("subject", sa.String(length=16), nullable=False),
        sa.Column("record_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.Column("superseded_at", _MOMENT, nullable=False),
        sa.Column("superseded_by", sa.String(length=64), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_earlier_versions")),
        sa.UniqueConstraint(
            "subject", "record_id", "version", name=op.f("uq_earlier_versions_subject_record_id_version")
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "idempotency",
        sa.Column("caller", sa.String(length=64), nullable=False),
        sa.Column("key", sa.String(length=128), nullable=False),
        sa.Column("request_digest", sa.String(length=64), nullable=False),
        sa.Column("at", _MOMENT, nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("caller", "key", name=op.f("pk_idempotency")),
    )
    op.create_index(op.f("ix_idempotency_at"), "idempotency", ["at"])
    op.create_table(
        "jobs",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("arguments", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("steps_done", sa.Integer(), nullable=False),
        sa.Column("steps_total", sa.Integer(), nullable=True),
        sa.Column("doing", sa.String(length=200), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("cancel_asked", sa.Boolean(), nullable=False),
        sa.Column("worker", sa.String(length=64), nullable=True),
        sa.Column("lease_until", _MOMENT, nullable=True),
        sa.Column("created_at", _MOMENT, nullable=False),
        sa.Column("created_by", sa.String(length=64), nullable=False),
        sa.Column("started_at", _MOMENT, nullable=True),
        sa.Column("ended_at", _MOMENT, nullable=True),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.Column("problems", sa.JSON(), nullable=True),
        sa.CheckConstraint(
            "state IN ('queued', 'running', 'done', 'failed', 'cancelled')", name=op.f("ck_jobs_known_state")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_jobs_state_id"), "jobs", ["state", "id"])
    op.create_table(
        "packs",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("family", sa.String(length=31), nullable=False),
        sa.Column("age_years", sa.Double(), nullable=True),
        sa.Column("odometer_km", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_packs")),
    )
    op.create_table(
        "suppliers",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("title", sa.String(length=64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_suppliers")),
    )
    op.create_table(
        "vehicles",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("duty", sa.String(length=64), nullable=True),
        sa.Column("site", sa.String(length=64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicles")),
    )
    op.create_table(
        "assignments",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("vehicle_id", sa.String(length=64), nullable=False),
        sa.Column("since", _MOMENT, nullable=False),
        sa.Column("until", _MOMENT, nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.CheckConstraint("until IS NULL OR until > since", name=op.f("ck_assignments_until_after_since")),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_assignments_pack_id")),
        sa.ForeignKeyConstraint(["vehicle_id"], ["vehicles.id"], name=op.f("fk_assignments_vehicle_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assignments")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_assignments_pack_id"), "assignments", ["pack_id"])
    op.create_index(op.f("ix_assignments_vehicle_id"), "assignments", ["vehicle_id"])
    op.create_table(
        "deliveries",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("supplier_id", sa.String(length=64), nullable=False),
        sa.Column("family", sa.String(length=31), nullable=False),
        sa.Column("ordered_at", _MOMENT, nullable=False),
        sa.Column("arrived_at", _MOMENT, nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.CheckConstraint(
            "arrived_at IS NULL OR arrived_at >= ordered_at", name=op.f("ck_deliveries_arrived_after_order")
        ),
        sa.ForeignKeyConstraint(["supplier_id"], ["suppliers.id"], name=op.f("fk_deliveries_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_deliveries_supplier_id"), "deliveries", ["supplier_id"])
    op.create_table(
        "forecasts",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("issued_at", _MOMENT, nullable=False),
        sa.Column("issued_by", sa.String(length=64), nullable=False),
        sa.Column("origin", _MOMENT, nullable=False),
        sa.Column("model_id", sa.String(length=80), nullable=False),
        sa.Column("inputs_digest", sa.String(length=64), nullable=False),
        sa.Column("good_for_days", sa.Double(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_forecasts_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecasts")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_forecasts_issued_at"), "forecasts", ["issued_at"])
    op.create_index(op.f("ix_forecasts_pack_id_id"), "forecasts", ["pack_id", "id"])
    op.create_table(
        "offers",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("supplier_id", sa.String(length=64), nullable=False),
        sa.Column("family", sa.String(length=31), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("price", sa.Double(), nullable=False),
        sa.Column("express_fee", sa.Double(), nullable=True),
        sa.Column("usual_days", sa.Integer(), nullable=False),
        sa.Column("earliest_days", sa.Integer(), nullable=True),
        sa.Column("latest_days", sa.Integer(), nullable=True),
        sa.Column("quoted_at", _MOMENT, nullable=False),
        sa.Column("valid_until", _MOMENT, nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["supplier_id"], ["suppliers.id"], name=op.f("fk_offers_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_offers")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_offers_family"), "offers", ["family"])
    op.create_index(op.f("ix_offers_supplier_id"), "offers", ["supplier_id"])
    op.create_table(
        "outcomes",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("time", _MOMENT, nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("code", sa.String(length=16), nullable=True),
        sa.Column("odometer_km", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.CheckConstraint(
            "kind IN ('returned', 'replaced', 'retired', 'running')", name=op.f("ck_outcomes_known_kind")
        ),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_outcomes_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outcomes")),
        sa.UniqueConstraint("pack_id", "time", name=op.f("uq_outcomes_pack_id_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_outcomes_time"), "outcomes", ["time"])
    op.create_table(
        "readings",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("time", _MOMENT, nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("current_a", sa.Double(), nullable=True),
        sa.Column("temperature_c", sa.Double(), nullable=True),
        sa.Column("block_v", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.CheckConstraint("state IN ('rest', 'discharge', 'charge')", name=op.f("ck_readings_known_state")),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_readings_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint("pack_id", "time", name=op.f("uq_readings_pack_id_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_readings_time"), "readings", ["time"])
    op.create_table(
        "topups",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("time", _MOMENT, nullable=False),
        sa.Column("blocks", sa.JSON(), nullable=False),
        sa.Column("charge_ah", sa.Double(), nullable=True),
        sa.Column("end_v", sa.Double(), nullable=True),
        sa.Column("duration_h", sa.Double(), nullable=True),
        sa.Column("rest_before_v", sa.Double(), nullable=True),
        sa.Column("rest_after_v", sa.Double(), nullable=True),
        sa.Column("rest_after_h", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_topups_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_topups")),
        sa.UniqueConstraint("pack_id", "time", name=op.f("uq_topups_pack_id_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_topups_time"), "topups", ["time"])
    op.create_table(
        "usage",
        sa.Column("id", _ROW_ID, autoincrement=True, nullable=False),
        sa.Column("pack_id", sa.String(length=64), nullable=False),
        sa.Column("time", _MOMENT, nullable=False),
        sa.Column("km_per_day", sa.Double(), nullable=True),
        sa.Column("trips_per_day", sa.Double(), nullable=True),
        sa.Column("ambient_c", sa.Double(), nullable=True),
        sa.Column("parked_days_in_30", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at", _MOMENT, nullable=False),
        sa.Column("recorded_by", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["pack_id"], ["packs.id"], name=op.f("fk_usage_pack_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_usage")),
        sa.UniqueConstraint("pack_id", "time", name=op.f("uq_usage_pack_id_time")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_usage_time"), "usage", ["time"])


def downgrade() -> None:
    """Remove them."""
    op.drop_index(op.f("ix_usage_time"), "usage")
    op.drop_table("usage")
    op.drop_index(op.f("ix_topups_time"), "topups")
    op.drop_table("topups")
    op.drop_index(op.f("ix_readings_time"), "readings")
    op.drop_table("readings")
    op.drop_index(op.f("ix_outcomes_time"), "outcomes")
    op.drop_table("outcomes")
    op.drop_index(op.f("ix_offers_supplier_id"), "offers")
    op.drop_index(op.f("ix_offers_family"), "offers")
    op.drop_table("offers")
    op.drop_index(op.f("ix_forecasts_pack_id_id"), "forecasts")
    op.drop_index(op.f("ix_forecasts_issued_at"), "forecasts")
    op.drop_table("forecasts")
    op.drop_index(op.f("ix_deliveries_supplier_id"), "deliveries")
    op.drop_table("deliveries")
    op.drop_index(op.f("ix_assignments_vehicle_id"), "assignments")
    op.drop_index(op.f("ix_assignments_pack_id"), "assignments")
    op.drop_table("assignments")
    op.drop_table("vehicles")
    op.drop_table("suppliers")
    op.drop_table("packs")
    op.drop_index(op.f("ix_jobs_state_id"), "jobs")
    op.drop_table("jobs")
    op.drop_index(op.f("ix_idempotency_at"), "idempotency")
    op.drop_table("idempotency")
    op.drop_table("earlier_versions")
    op.drop_index(op.f("ix_audit_at"), "audit")
    op.drop_table("audit")
    op.drop_table("api_keys")
