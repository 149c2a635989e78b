"""HTTP only: routes, headers, status codes. No clinical word is decided here.

`app.make_app(service, ...)` is the whole application.
"""
