"""One thing at a time: a quantity, a formula, a reaction, a sum of money, and the records that are made of them.

The rule of this room: it is pure. Nothing here opens a file, a socket or a session, asks the clock, draws a random
number or changes anything outside itself; dates, times and codes come in as arguments, and equal arguments give equal
results. Things are frozen when they are made. It knows no HTTP, no JSON shape and no table, and it imports nothing of
the service but :mod:`service.errors`.
"""
