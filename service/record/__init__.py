"""The write stories: put, post, delete, and what is derived from a record in the same transaction.

The rule of this room: a story opens one write transaction, checks, appends to the revisions, derives, and is done; it
speaks no SQL (that is the store's) and knows no HTTP.
"""
