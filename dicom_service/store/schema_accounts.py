"""The tables of accounts: who may sign in, from where, and what they chose. See `schema`."""

from sqlalchemy import Column, ForeignKey, Index, Table

from dicom_service.store.columns import TEXT, metadata, short, text_of, time

users = Table(
    "users",
    metadata,
    Column("name", short(64), primary_key=True),
    text_of("display"),
    text_of("password_hash"),
    Column("roles", TEXT, nullable=False, default="[]"),
)

user_sites = Table(
    "user_sites",  # roles at sites with a name; those at the one without are in `users`
    metadata,
    Column("user", short(64), ForeignKey("users.name"), primary_key=True),
    Column("site", short(32), primary_key=True),
    Column("roles", TEXT, nullable=False, default="[]"),
    Index("user_sites_by_site", "site"),
)

known_sites = Table(
    "known_sites",  # sites with a name that this index was ever used for
    metadata,
    Column("id", short(32), primary_key=True),
)

disabled_users = Table(
    "disabled_users",  # accounts that nobody can sign in with
    metadata,
    Column("name", short(64), ForeignKey("users.name"), primary_key=True),
    text_of("by"),
    time("at"),
)

added_peers = Table(
    "added_peers",  # beside those of the settings file; see peers.py
    metadata,
    Column("name", short(64), primary_key=True),
    text_of("said"),
)

preferences = Table(
    "preferences",  # what each account chose for itself
    metadata,
    Column("user", short(64), ForeignKey("users.name"), primary_key=True),
    text_of("said"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", short(128), primary_key=True),
    Column("user", short(64), ForeignKey("users.name"), nullable=False),
    text_of("csrf"),
    time("expires"),
)

identities = Table(
    "identities",  # people whom a provider vouches for, each with an account
    metadata,
    Column("issuer", short(256), primary_key=True),
    Column("subject", short(256), primary_key=True),
    Column("user", short(64), ForeignKey("users.name"), nullable=False, unique=True),
)

sign_in_steps = Table(
    "sign_in_steps",  # ways to the provider and back that have begun, by the hash of their state
    metadata,
    Column("state", short(64), primary_key=True),
    text_of("browser"),
    text_of("nonce"),
    text_of("verifier"),
    text_of("session"),
    text_of("study_uid"),
    text_of("user"),
    text_of("next"),
    time("began"),
    time("expires"),
)

confirmations = Table(
    "confirmations",  # who has just shown again who they are, for one signature
    metadata,
    Column("session", short(64), primary_key=True),
    Column("study_uid", short(64), primary_key=True),
    time("expires"),
)
