"""From simulated and recorded packs to a model that may answer, and to what is known of how good it is.

The packages stand on one another in this order, and each may import only those before it and `models`: `files`,
`simulation`, `scoring`, `plotting`, `report`, `cohort_report`, `learning`, `monitoring`, `registry`. Begin at
`learning.fitting`; the folder `families` holds the pack families that come along, as data.
"""
