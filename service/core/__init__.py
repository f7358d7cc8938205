"""What every part of the service needs: settings, log, language, cautions, and which model answers.

Begin at `settings`. Imports no other package of `service`.
"""
