"""The evidence page of the simulation: what the invented packs do, and by which priors."""

from training.cohort_report.page import build_cohort_page, write_cohort_page

__all__ = ["build_cohort_page", "write_cohort_page"]
