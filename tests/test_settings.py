"""Settings: precedence, safe defaults, and every setting documented in the shipped file."""

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from dicom_service.errors import SetupError
from dicom_service.settings import Peer, Settings, load

SHIPPED = resources.files("dicom_service").joinpath("sesamoid.toml").read_text("utf-8")
PLAIN = SHIPPED.split("[[peers]]")[0]


def test_without_any_file_the_node_listens_on_loopback_only(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    settings = load(environment={})
    assert (settings.dimse_host, settings.http_host) == ("127.0.0.1", "127.0.0.1")
    assert settings.ae_title == "SESAMOID"


def test_options_win_over_environment_over_file_over_defaults(tmp_path):
    file = tmp_path / "a.toml"
    file.write_text('ae_title = "FILE"\nhttp_port = 1\ndimse_port = 2\n')
    environment = {"SESAMOID_HTTP_PORT": "11", "SESAMOID_DIMSE_PORT": "12"}
    settings = load(file, environment, dimse_port=22, http_host=None)
    assert (settings.ae_title, settings.http_port, settings.dimse_port) == ("FILE", 11, 22)


def test_every_setting_stands_in_the_shipped_file_with_its_default():
    shown = tomllib.loads(re.sub(r"^# ([a-z_]+ = )", r"\1", PLAIN, flags=re.M))
    defaults = Settings().model_dump(mode="json", exclude={"peers"})
    assert shown == defaults


def test_the_peer_block_of_the_shipped_file_is_valid():
    block = re.sub(r"^# ?", "", SHIPPED[SHIPPED.index("# [[peers]]") :], flags=re.M)
    assert set(tomllib.loads(block)["peers"][0]) == set(Peer.model_fields)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("dimse_port = 99999", "dimse_port"),
        ("ae_titel = 'X'", "ae_titel"),
        ("ae_title = 'SEVENTEEN LETTERS'", "ae_title"),
        ("ae_title = 'Ä'", "ae_title"),
        ("archive = 'nowhere'", "nowhere"),
        ("settle_seconds = -1", "settle_seconds"),
        ("not toml", "TOML"),
    ],
)
def test_a_wrong_setting_is_named_in_a_sentence(tmp_path, text, part):
    file = tmp_path / "a.toml"
    file.write_text(text)
    with pytest.raises(SetupError, match=part):
        load(file, {})


def test_a_settings_file_that_is_not_there_is_said():
    with pytest.raises(SetupError, match=r"no-such-file\.toml"):
        load(Path("no-such-file.toml"), {})
