"""`sesamoid user --site`, and the figures by site."""

import io

import pytest

from dicom_service.cli import main
from dicom_service.store import Store


@pytest.fixture
def command(tmp_path, monkeypatch):
    """`sesamoid user` with a password on a node of two sites."""
    config = tmp_path / "sesamoid.toml"
    blocks = "".join(
        f'[[sites]]\nid = "{name}"\nname = "{name}"\nae_titles = ["{name.upper()}"]\n'
        for name in ("north", "south")
    )
    config.write_text(f'data_folder = "{tmp_path / "data"}"\n{blocks}')

    def run(*words: str) -> int:
        monkeypatch.setattr("sys.stdin", io.StringIO("a long enough password\n"))
        return main(["--config", str(config), "user", *words, "--password-stdin"])

    return run


@pytest.fixture
def roles(tmp_path):
    """The roles of somebody at each site."""

    def of(name: str) -> dict[str, list[str]]:
        store = Store(tmp_path / "data", exclusive=False)
        try:
            row = store.user(name)
            return {"": list(row.roles)} | {site: list(of) for site, of in row.sites.items()}
        finally:
            store.close()

    return of


def test_a_user_is_added_at_a_site_and_given_roles_at_another(command, roles, capsys):
    assert command("anna", "--site", "north") == 0
    assert roles("anna") == {"": [], "north": ["reader"]}
    assert command("anna", "--site", "south", "--role", "administrator") == 0
    assert roles("anna") == {"": [], "north": ["reader"], "south": ["administrator"]}
    assert "anna is administrator at south now." in capsys.readouterr().out
    assert command("anna", "--site", "north") == 0
    assert roles("anna") == {"": [], "south": ["administrator"]}


def test_a_site_that_the_settings_do_not_have_is_refused_with_those_that_they_have(
    command, tmp_path, capsys
):
    assert command("anna", "--site", "west") != 0
    assert "There is no site west; the settings have: north, south" in capsys.readouterr().err
    store = Store(tmp_path / "data", exclusive=False)
    assert store.user("anna") is None
    store.close()


def test_the_figures_are_those_of_each_site(clinics):
    said = clinics.app.test_client().get("/metrics").get_data(as_text=True)
    for site in ("north", "south"):
        assert f'sesamoid_site_studies{{site="{site}",state="waiting"}} 1.0' in said
    assert "Quillfeather" not in said
    assert "Bello" not in said
