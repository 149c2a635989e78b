"""Who may call: signed tokens of listed issuers, and what their bearers may do.

Tokens are JWTs (RFC 7519) signed as SMART App Launch 2 (asymmetric client authentication) and
CDS Hooks 2.0 ask for: RS384 or ES384. Nothing here knows of HTTP. A token is never stored, logged
or repeated; only a hash of its issuer and `jti` is kept, until it expires.
"""
