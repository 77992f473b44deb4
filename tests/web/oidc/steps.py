"""What a browser does between this node and a provider."""

import requests


def begin(client, path="/oidc/sign-in"):
    """To the provider and as far as its answer; the address on this node to come back to."""
    there = client.get(path)
    assert there.status_code == 303, there.text
    back = requests.get(there.location, allow_redirects=False, timeout=10).headers["Location"]
    return back.removeprefix("http://localhost")


def enter(client, path="/oidc/sign-in"):
    return client.get(begin(client, path))


def who(client):
    return client.get("/api/session").json.get("user")


def sign(client, uid, password=""):
    token = client.get("/api/session").json["csrf"]
    body = {"version": 0, "password": password}
    headers = {"X-Sesamoid-Token": token}
    return client.post(f"/api/studies/{uid}/sign", json=body, headers=headers)


def refusals(store):
    return [row.detail for row in store.audit_rows(text="sign-in refused")]
