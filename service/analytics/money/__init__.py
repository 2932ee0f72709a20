"""What a gram costs, what it did cost, and what to pay at the counter.

Pure: prices, amounts and ratios are arguments, all of one currency. ``standard_cost`` is the cost at today's prices and
expected yields, with its split and its interval; ``packs`` the cheapest set of whole packs that covers a need.
``ledger`` holds what was taken, made and paid; from it come ``traced`` cost to the last millionth, its ``identity``,
the ``ancestry`` of a lot and the ``loaded`` cost with failures. ``losses`` and ``mass_metrics`` say where
material goes.
"""
