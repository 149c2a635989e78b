"""While nobody has to log in: the one who asks is here, and no page of another site makes him ask.

Two ways lead from a page in a browser to a service on the same machine. Its name can be pointed at
127.0.0.1 (DNS rebinding): then the browser takes the service for the page's own, but the request
says the page's name in `Host`. Or it sends a form across sites, which is recorded although the page
cannot read the answer: then the browser says so (`Sec-Fetch-Site`, W3C Fetch Metadata; older ones
by `Origin`, the Fetch standard). What is no browser sends neither. Where callers bring tokens this
is not needed: a page has none. A third way is a proxy on this machine, whose callers nobody knows:
what one asks for somebody elsewhere is refused. Starlette's TrustedHostMiddleware answers in plain
text and may redirect; here a refusal is an OperationOutcome.
"""

import logging
import re
from collections.abc import Collection
from ipaddress import ip_address

from starlette.types import ASGIApp, Receive, Scope, Send

from cds_service.errors import NotAllowed
from cds_service.web import problems
from cds_service.web.replies import Reply, correlated, header_lines

_log = logging.getLogger("cds_service.access")

_AUTHORITY = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(:\d{0,5})?", re.ASCII)
"""RFC 3986, 3.2.2: a name, or an address in brackets; and a port."""
_READING = ("GET", "HEAD", "OPTIONS")
_OWN = ("same-origin", "none")
"""`none`: the user himself, by the address bar. Another port of this machine is `same-site`."""
_ALWAYS = "/health/"
"""Says nothing of anybody, and is asked by whatever name a probe has."""


class Here:
    """`app` for those who ask by one of its `names`, without another site's page in between.

    `origins` are those whose pages may write below `path` (CORS).
    """

    def __init__(
        self, app: ASGIApp, names: Collection[str], origins: Collection[str], path: str
    ) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in names)
        self._origins, self._path = frozenset(origins), f"{path}/"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it (421, 403)."""
        refusal = None
        if scope["type"] == "http" and not scope["path"].startswith(_ALWAYS):
            refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, send)
            return
        given = correlated(scope)
        given.write_down(_log, logging.WARNING, f"refused: {refusal.__cause__}")
        reply = Reply(refusal.status, refusal.body, refusal.headers)
        await reply.send(send, given, head=scope["method"] == "HEAD")

    def _refusal(self, scope: Scope) -> problems.Refused | None:
        if _is_from_elsewhere(scope):
            return _because("a proxy asks for somebody elsewhere", problems.another_machine())
        hosts = header_lines(scope, b"host")
        if len(hosts) != 1 or name_of(hosts[0]) not in self._names:
            return _because("it names another host", problems.another_host())
        if scope["method"] in _READING or not self._is_of_another_site(scope, hosts[0]):
            return None
        return _because("a page of another site asks", problems.another_site())

    def _is_of_another_site(self, scope: Scope, host: str) -> bool:
        origins = header_lines(scope, b"origin")
        if origins and scope["path"].startswith(self._path) and set(origins) <= self._origins:
            return False
        if said := header_lines(scope, b"sec-fetch-site"):
            return any(each not in _OWN for each in said)
        own = (f"http://{host}".lower(), f"https://{host}".lower())
        return any(each.lower() not in own for each in origins)


def _because(why: str, refusal: problems.Refused) -> problems.Refused:
    refusal.__cause__ = NotAllowed(why)
    return refusal


def _is_from_elsewhere(scope: Scope) -> bool:
    """Whether a proxy on this machine says that it asks for another one (X-Forwarded-For)."""
    client = scope.get("client")
    try:
        return client is not None and not ip_address(client[0]).is_loopback
    except ValueError:  # no address: a socket file, or what the proxy says is none
        return bool(header_lines(scope, b"x-forwarded-for"))


def name_of(host: str) -> str:
    """The name that a Host header says, without the port; "" when it is none.

    >>> name_of("LocalHost:8080"), name_of("[::1]:8080"), name_of("a@b"), name_of("127.0.0.1")
    ('localhost', '[::1]', '', '127.0.0.1')
    """
    found = _AUTHORITY.fullmatch(host.lower())
    return found[1] if found else ""
