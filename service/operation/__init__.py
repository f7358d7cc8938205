"""For whoever runs the service: health, metrics, backup, doctor, keys, the audit trail.

Begin at `health_routes` and `backup`. May import everything from `core` to `jobs`.
"""
