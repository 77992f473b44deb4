"""What each reader chose for themselves: language, colours, keys, dictation, phrases."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, field_validator
from sqlalchemy import select

from dicom_service.base import Frozen
from dicom_service.store.index import retried
from dicom_service.store.opening import Shelf
from dicom_service.store.schema_accounts import preferences

Where = Literal["any", "findings", "impression", "recommendations"]
Language = Literal["", "en", "de"]
Key = Annotated[str, StringConstraints(min_length=1, max_length=1)]
CommandName = Annotated[str, StringConstraints(min_length=1, max_length=40)]


class Phrase(Frozen):
    """A reader's own words, put into a text field by their name."""

    name: Annotated[str, StringConstraints(pattern=r"^[^\s;]{1,24}$")]
    text: str = Field(min_length=1, max_length=4000)
    where: Where = "any"


class Preferences(Frozen):
    """All of one account; a language of "" is what the browser asks for."""

    language: Language = ""
    theme: Literal["dark", "light", "system"] = "dark"
    keys: dict[CommandName, Key] = Field(default={}, max_length=100)
    dictation: Literal["", "en-US", "en-GB", "de-DE"] = ""
    phrases: tuple[Phrase, ...] = Field(default=(), max_length=500)

    @field_validator("phrases")
    @classmethod
    def _one_of_each_name(cls, phrases: tuple[Phrase, ...]) -> tuple[Phrase, ...]:
        seen: set[tuple[str, str]] = set()
        for phrase in phrases:
            if (phrase.name, phrase.where) in seen:
                raise ValueError(f"two phrases are called {phrase.name}")
            seen.add((phrase.name, phrase.where))
        return phrases


class AccountPreferences(Shelf):
    """One row per account that has chosen anything."""

    def preferences(self, user: str) -> Preferences:
        """What this account chose; as delivered when it has not."""
        query = select(preferences.c.said).where(preferences.c.user == user)
        with self._index.read() as connection:
            said = connection.execute(query).scalar()
        return Preferences() if said is None else Preferences.model_validate_json(said)

    @retried
    def prefer(self, user: str, change: dict[str, object]) -> Preferences:
        """Change some of it; what `change` does not name stays.

        Raises
        ------
        pydantic.ValidationError
            The change is none that can be kept.
        """
        chosen = preferences.c.user == user
        with self._index.write(f"preferences of {user}") as connection:
            said = connection.execute(select(preferences.c.said).where(chosen)).scalar()
            before = Preferences() if said is None else Preferences.model_validate_json(said)
            after = Preferences.model_validate({**before.model_dump(), **change})
            text = after.model_dump_json()
            if said is None:
                connection.execute(preferences.insert().values(user=user, said=text))
            else:
                connection.execute(preferences.update().where(chosen).values(said=text))
        return after
