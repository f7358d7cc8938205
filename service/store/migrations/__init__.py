"""Every change of the schema, one file a change, run in order by Alembic."""
