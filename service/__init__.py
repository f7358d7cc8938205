"""REST, pages, command line and store around `models` and `training`.

The packages stand on one another in this order, and each may import only those before it: `core`, `store`, `http`,
`access`, `records`, `forecasting`, `decisions`, `exchange`, `jobs`, `operation`, `pages`, the modules `app_store` and
`app`, `cli`. Begin at `app`.
"""
