"""Sign a token for one call, as a record system does (CDS Hooks 2.0, SMART Backend Services).

    python examples/sign_token.py --make client.pem > keys.json      # once: a key, its JWK Set
    python examples/sign_token.py client.pem ISSUER ADDRESS          # a token for that address

ISSUER is the name that the service lists in CDS_ISSUERS_FILE, ADDRESS the very address that is
called, without its query. Needs PyJWT with cryptography.
"""

import argparse
import json
import time
import uuid
from pathlib import Path

import jwt
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from jwt.algorithms import ECAlgorithm

KID = "client-1"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--make", action="store_true", help="make the key, print its JWK Set")
    parser.add_argument("key", type=Path, help="file of the private key (PEM)")
    parser.add_argument("issuer", nargs="?")
    parser.add_argument("address", nargs="?")
    asked = parser.parse_args()
    if asked.make:
        print(json.dumps({"keys": [make(asked.key)]}))
    elif asked.issuer and asked.address:
        print(token(asked.key, asked.issuer, asked.address))
    else:
        parser.error("an issuer and an address are needed")


def make(path: Path) -> dict[str, object]:
    """Make a key for ES384 in a new file that only its owner reads; its public half."""
    key = ec.generate_private_key(ec.SECP384R1())
    pem = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    path.touch(0o600, exist_ok=False)
    path.write_bytes(pem)
    public: dict[str, object] = json.loads(ECAlgorithm.to_jwk(key.public_key()))
    return {**public, "kid": KID, "use": "sig", "alg": "ES384"}


def token(key: Path, issuer: str, address: str) -> str:
    """A token that is good for one call within two minutes."""
    now = int(time.time())
    claims = {
        "iss": issuer, "sub": issuer, "aud": address,
        "iat": now, "exp": now + 120, "jti": str(uuid.uuid4()),
    }  # fmt: skip
    return jwt.encode(claims, key.read_bytes(), "ES384", headers={"kid": KID})


if __name__ == "__main__":
    main()
