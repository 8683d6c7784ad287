"""The service with the invented fleet, and its people."""

import json

from answers import succeeded
from clampward_client import AuthenticatedClient, Client
from clampward_client.api.sign_in import sign_in
from clampward_client.models import TokenRequest


class Demo:
    """What the line of JSON tells that `cargo xtask up --json` prints."""

    def __init__(self, ready: str) -> None:
        told = json.loads(ready)
        self.url: str = told["url"]
        self.passwords: dict[str, str] = {account["email"]: account["password"] for account in told["accounts"]}

    def person(self, name: str) -> AuthenticatedClient:
        email = f"{name}@halvorsund.example"
        request = TokenRequest(email=email, password=self.passwords[email])
        tokens = succeeded(sign_in.sync(client=Client(self.url), body=request))
        return AuthenticatedClient(self.url, token=tokens.access_token)
