"""A client of somebody else's making: keys, assertions and the request for a token are Authlib's.

    client.py keys FOLDER             makes a private key of each kind, and public.jwks.json
    client.py use FOLDER ADDRESS      finds the service's configuration at ADDRESS, gets a token with each key, charts a
                                      Procedure with it and reads it back; prints what came of it as JSON
"""

import json
import sys
import time
from pathlib import Path

import requests
from authlib.integrations.requests_client import OAuth2Session
from authlib.jose import ECKey, RSAKey
from authlib.oauth2.rfc7523 import PrivateKeyJWT

FHIR = {"content-type": "application/fhir+json"}


def make(folder):
    keys = {
        "RS384": RSAKey.generate_key(2048, {"kid": "rsa-1", "use": "sig"}, is_private=True),
        "ES384": ECKey.generate_key("P-384", {"kid": "ec-1", "use": "sig"}, is_private=True),
    }
    for algorithm, key in keys.items():
        (folder / f"{algorithm}.pem").write_bytes(key.as_pem(is_private=True))
    public = [key.as_dict(is_private=False) for key in keys.values()]
    (folder / "public.jwks.json").write_text(json.dumps({"keys": public}))


def session(folder, algorithm, kid, token_endpoint, seconds):
    client = OAuth2Session(
        "foreign",
        (folder / f"{algorithm}.pem").read_text(),
        scope="system/Procedure.cr",
        token_endpoint_auth_method="private_key_jwt",
    )
    claims = {"exp": int(time.time()) + seconds}
    client.register_client_auth_method(
        PrivateKeyJWT(token_endpoint, claims=claims, headers={"kid": kid}, alg=algorithm)
    )
    return client


def chart(client, address):
    procedure = {
        "resourceType": "Procedure",
        "status": "completed",
        "code": {"text": "mouth care"},
        "subject": {"reference": "Patient/p1"},
        "performedDateTime": "2026-03-01T08:00:00Z",
    }
    made = client.post(f"{address}/fhir/Procedure", json=procedure, headers=FHIR)
    read = client.get(f"{address}/fhir/Procedure/{made.json()['id']}")
    searched = client.get(f"{address}/fhir/Procedure")
    return [made.status_code, read.status_code, searched.status_code]


def use(folder, address):
    told = requests.get(f"{address}/fhir/.well-known/smart-configuration", timeout=10).json()
    endpoint = told["token_endpoint"]
    out = {"told": told, "used": {}}
    for algorithm, kid in [("RS384", "rsa-1"), ("ES384", "ec-1")]:
        client = session(folder, algorithm, kid, endpoint, 240)
        token = client.fetch_token(endpoint, grant_type="client_credentials")
        out["used"][algorithm] = {
            "scope": token["scope"],
            "expires_in": token["expires_in"],
            "statuses": chart(client, address),
        }
    try:
        session(folder, "ES384", "ec-1", endpoint, 3600).fetch_token(endpoint, grant_type="client_credentials")
        out["an hour"] = "a token"
    except Exception as error:  # whatever the library makes of the refusal
        out["an hour"] = getattr(error, "error", repr(error))
    print(json.dumps(out))


if __name__ == "__main__":
    what, folder = sys.argv[1], Path(sys.argv[2])
    if what == "keys":
        make(folder)
    else:
        use(folder, sys.argv[3])
