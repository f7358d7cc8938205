"""What turns a pack's history into a probability over time, and that into decisions.

Pure: no files, no network, no clock, no printing, no plotting. The packages stand on one another in this order, and
each may import only those before it: `base`, `packs`, `physics`, `survival`, `estimators`, `calibration`, `features`,
`forecasts`, `interventions`, the module `forecaster`, `topup`, `decisions`. Begin at `forecaster`.
"""
