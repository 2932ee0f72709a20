"""What a gram costs and what to pay at the counter.

Pure: prices, amounts and ratios are arguments, all of one currency. ``standard_cost`` is the cost at today's prices and
expected yields, with its split and its interval; ``packs`` the cheapest set of whole packs that covers a need.
"""
