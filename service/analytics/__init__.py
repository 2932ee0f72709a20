"""Sums over many runs: statistics, forecasts, money, plans.

Pure: no file, socket, session, clock or global random state. Times, codes and seeds come in as arguments, so that the
same question gives the same answer. Imports go down only: planning, then forecast and money, then statistics.
``scipy`` is imported inside the functions that need it, so that importing this package stays cheap.
"""
