"""What turns a pack's history into a probability over time, and that into decisions.

Pure: no files, no network, no clock, no printing, no plotting.
"""
