"""The words of each study in one full-text index, and an index of species."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, Integer, String, Text, text

from dicom_service.store.schema import FULL_TEXT
from dicom_service.store.texts import take_in_older

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Make a table and its index, and put what there is into it."""
    long, prepared = Text(collation="C"), text("species != ''")
    op.create_table(
        "study_texts",
        Column("number", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
        Column(
            "study_uid",
            String(64).with_variant(long, "postgresql"),
            ForeignKey("studies.study_uid"),
            nullable=False,
            unique=True,
        ),
        Column("words", Text().with_variant(long, "postgresql"), nullable=False),
    )
    op.create_index(
        "studies_of_species",
        "studies",
        ["species", text("last_object_at DESC"), "study_uid", "reader", "state"],
        sqlite_where=prepared,
        postgresql_where=prepared,
    )
    connection = op.get_bind()
    op.execute(FULL_TEXT[connection.dialect.name])
    take_in_older(connection)
    op.execute("UPDATE schema_version SET version = 7")
