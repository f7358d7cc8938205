"""Files in and out: imports, the inbox, exports, reports.

Begin at `imports.loading`. May import everything from `core` to `decisions`.
"""
