"""Notices to receivers that an administrator entered, by mail or webhook: the only calls that ever go out.

Begin at `outbox`: what is to be told follows from the store (`due`), is put down once for each receiver, and then
delivered (`webhook`, `mail`) by a worker. `reach` says which addresses may be connected to.
"""
