"""HTTP, and nothing else: a request is read, one story of ``record`` or ``answer`` is called, what it tells is written.

Every operation is declared once (:mod:`service.api.operation`): its route, its scope, its query parameters, its bodies
and its answers. Routing, authorisation, reading, documentation and the tests of all four come from that declaration.
"""
