"""The read stories, a file an answer. They gather records and columns from one snapshot, hand plain numbers to
``service.analytics`` and ``service.domain``, and lay out what comes back. They hold no chemistry and no prices.
"""
