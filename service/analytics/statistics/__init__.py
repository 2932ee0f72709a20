"""Statistics of a step over its runs: what was got, how much it varied, and how well the record carries either.

Pure: numbers and arrays in, numbers and reasons out. ``describe`` holds the moments and order statistics of the counted
yields, ``ratio`` the ratio of totals with its interval, ``binomial`` a share with its exact interval. What a record
cannot carry is None with a reason.
"""
