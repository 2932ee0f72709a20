"""The JSON shapes: what a body may hold, read into the frozen records of the domain, and what an answer holds.

The one room of marshmallow. A body is either a record or a list of everything that is wrong with it, each fault with
the place where it is. What a record says about other records is checked where they can be seen, not here.
"""
