"""The mathematics behind `training.scores`: one file a subject, one function a score."""
