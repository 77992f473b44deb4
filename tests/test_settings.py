"""Settings: precedence, safe defaults, and every setting documented in the shipped file."""

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from dicom_service.errors import SetupError
from dicom_service.settings import Peer, Settings, load
from dicom_service.site_settings import SiteSettings

SHIPPED = resources.files("dicom_service").joinpath("sesamoid.toml").read_text("utf-8")
PLAIN = SHIPPED.split("# [[sites]]")[0]


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
    defaults = Settings().model_dump(mode="json", exclude={"peers", "sites"})
    assert shown == defaults


def test_the_peer_block_of_the_shipped_file_is_valid():
    block = re.sub(r"^# ?", "", SHIPPED[SHIPPED.index("# [[peers]]") :], flags=re.M)
    assert set(tomllib.loads(block)["peers"][0]) == set(Peer.model_fields)


def test_the_site_block_of_the_shipped_file_is_valid():
    block = SHIPPED[SHIPPED.index("# [[sites]]") :].partition("\n\n")[0]
    (shown,) = tomllib.loads(re.sub(r"^# ?", "", block, flags=re.M))["sites"]
    assert SiteSettings.model_validate(shown).model_dump(mode="json") == shown
    assert set(shown) == set(SiteSettings.model_fields)


_PEER = '[[peers]]\nname = "a"\nport = 1\n'
_SITE = '[[sites]]\nid = "a"\nname = "A"\n'


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("dimse_port = 99999", "'dimse_port' must be at most 65535. It is 99999 now."),
        ("dimse_port = 'x'", "'dimse_port' must be a whole number. It is 'x' now."),
        ("ae_titel = 'X'", "There is no setting 'ae_titel'. Did you mean 'ae_title'?"),
        ("[tls]\nauthorty = 'x'", "'authorty' in [tls]. Did you mean 'authority'?"),
        ("ae_title = 'SEVENTEEN LETTERS'", "'ae_title' must have at most 16 characters."),
        ("ae_title = 'Ä'", "'ae_title' is wrong: an AE title is 1 to 16 printable ASCII"),
        ("archive = 'nowhere'", "'nowhere' is not the name of one of the peers (there are none)"),
        ("settle_seconds = -1", "'settle_seconds' must be more than 0"),
        ("settle_seconds = inf", "must be a number that is not infinite"),
        ("data_folder = ''", "'data_folder' is wrong: it is empty"),
        ("log_level = 'LOUD'", "must be one of 'DEBUG', 'INFO', 'WARNING' or 'ERROR'"),
        ("trusted_proxy = 'banana'", "'banana' is no address such as 127.0.0.1"),
        ("http_tls_key = 'key.pem'", "the web pages would not be encrypted"),
        ("retry_first_seconds = 901", "must not be less than retry_first_seconds"),
        ("dimse_port = 7\nhttp_port = 7", "dimse_port and http_port are both 7"),
        ("metrics_token = 'a b'", "a token is ASCII without spaces"),
        ("peers = 'x'", "each of which begins with a line [[peers]]"),
        (_PEER, "'ae_title' of [[peers]] block 1 (a) is missing"),
        (_PEER + "ae_title = 'Ä'", "'ae_title' of [[peers]] block 1 (a) is wrong"),
        (_PEER + "ae_title = ' '", "printable ASCII characters"),
        (_PEER + "ae_title = 'A'\nhost = 'x y'", "a host is a name such as"),
        (_PEER + "ae_title = 'A'\nhots = 'x'", "block 1 (a). Did you mean 'host'?"),
        (_PEER + "ae_title = 'A'\naddresses = ['10.0.0.1/8']", "such as 10.1.0.0/16"),
        (_PEER + "ae_title = 'A'\ncertificate = 'x'", "64 hexadecimal digits"),
        (_PEER + "ae_title = 'A'\ncertificate = 'CN=x'", "needs listen = true in [tls]"),
        (_PEER + "ae_title = 'A'\n" + _PEER + "ae_title = 'B'", "Two peers are called 'a'"),
        ("sites = 'x'", "each of which begins with a line [[sites]]"),
        (_SITE + "ae_titles = ['A']\narchve = ''", "block 1 (A). Did you mean 'archive'?"),
        (_SITE, "'ae_titles' of [[sites]] block 1 (A) is missing"),
        (_SITE + "ae_titles = []", "'ae_titles' of [[sites]] block 1 (A)"),
        (_SITE + "ae_titles = ['SESAMOID']", "'SESAMOID' is named twice"),
        (_SITE + "ae_titles = ['A']\n" + _SITE + "ae_titles = ['B']", "Two sites have the id 'a'"),
        (_SITE + "ae_titles = ['A']\narchive = 'x'", "the peers of the site 'a' (there are none)"),
        (_PEER + "ae_title = 'A'\nsite = 'b'", "the site 'b', and the sites are: none"),
        ("[bucket]\nname = 'X'", "'name' in [bucket]"),
        ("[bucket]\nendpoint = 'objects.example'", "is an address such as https://objects.example"),
        ("[bucket]\nprefix = 'a'", "'prefix' in [bucket]"),
        ("[bucket]\nprefix = 'a/'", "[bucket] needs the name of the bucket"),
        ("[bucket]\nname = 'abc'\naccess_key = 'a'", "goes with secret_key or secret_key_file"),
        ("[bucket]\nname = 'abc'\naccess_key = 3", "'access_key' in [bucket] must be text"),
        (
            "[bucket]\nname = 'abc'\naccess_key = 'a'\nsecret_key = 'b'\nsecret_key_file = 'c'",
            "one of them is enough",
        ),
        ("[bucket]\nacknowledge = 'spool'\nspool_mb = 0", "needs a spool: spool_mb"),
        ("index_url = 'postgresql://x/y'\n[bucket]\nname = 'abc'", "spool_mb = 0 in [bucket]"),
        ("not toml", "is not valid TOML"),
    ],
)
def test_a_wrong_setting_is_named_in_a_sentence_that_says_what_it_may_be(tmp_path, text, sentence):
    file = tmp_path / "a.toml"
    file.write_text(text)
    with pytest.raises(SetupError) as said:
        load(file, {})
    assert sentence in str(said.value)
    assert not re.search("pydantic|Input should|Extra inputs|Value error", str(said.value))


def test_a_secret_is_not_repeated_in_the_sentence(tmp_path):
    file = tmp_path / "a.toml"
    file.write_text("metrics_token = 4711")
    with pytest.raises(SetupError, match="metrics_token") as said:
        load(file, {})
    assert "4711" not in str(said.value)


def test_an_environment_variable_that_nearly_names_a_setting_is_not_ignored():
    with pytest.raises(SetupError, match="Did you mean SESAMOID_HTTP_PORT"):
        load(environment={"SESAMOID_HTTP_PROT": "1"})
    with pytest.raises(SetupError, match="Did you mean SESAMOID_TLS_LISTEN"):
        load(environment={"SESAMOID_TLS_LISTENS": "1"})
    load(environment={"SESAMOID_VIEWER_CACHE": "x", "SESAMOID_FAULT": ""})


def test_a_settings_file_that_is_not_there_is_said():
    with pytest.raises(SetupError, match=r"no-such-file\.toml"):
        load(Path("no-such-file.toml"), {})
