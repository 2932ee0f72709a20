"""The SQL: tables, sessions, and the functions that turn rows into records and back.

The rule of this room: every row belongs to one workshop and every statement says which. ``revisions`` is the truth and
is only ever added to; all other tables are its newest state or derived from it, and can be made again from it.
Nothing here knows a formula, a price or a status of HTTP.
"""
