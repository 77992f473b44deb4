"""Who may open an association: title, address, user identity."""

import pytest
from pynetdicom import AE
from pynetdicom.pdu_primitives import UserIdentityNegotiation

from dicom_service.node.admission import comes_from
from dicom_service.passwords import hash_password
from dicom_service.settings import Peer
from tests.node.conftest import associate

ECHO = [("1.2.840.10008.1.1", "1.2.840.10008.1.2")]


@pytest.mark.parametrize(
    ("addresses", "address", "welcome"),
    [
        ((), "127.0.0.1", True),
        ((), "10.0.0.9", False),
        (("10.1.0.0/16",), "10.1.200.3", True),
        (("10.1.0.0/16",), "10.2.0.1", False),
        (("10.1.0.0/16", "fd00::/8"), "fd00::7", True),
        (("10.1.0.5",), "10.1.0.5", True),
        (("10.1.0.5",), "127.0.0.1", False),
        (("10.1.0.5",), "not an address", False),
    ],
)
def test_a_peer_may_call_from_its_host_or_from_the_networks_named(addresses, address, welcome):
    peer = Peer(name="a", ae_title="A", host="127.0.0.1", port=1, addresses=addresses)
    assert comes_from(peer, address) is welcome


def test_a_title_is_not_enough_and_an_address_is_not_enough(start):
    here = Peer(name="a", ae_title="HERE", port=1)
    elsewhere = Peer(name="b", ae_title="ELSEWHERE", port=1, addresses=("10.9.9.0/24",))
    node = start(peers_only=True, peers=(here, elsewhere))
    for title, welcome in (("HERE", True), ("ELSEWHERE", False), ("NOBODY", False)):
        association = associate(node.port, ECHO, calling=title)
        assert association.is_established is welcome, title
        if welcome:
            association.release()
        else:
            assert association.is_rejected


def _identified(port, name=None, passcode="", kind=2):
    entity = AE("CAMERA")
    entity.acse_timeout = 10
    entity.add_requested_context("1.2.840.10008.1.1")
    items = []
    if name is not None:
        item = UserIdentityNegotiation()
        item.user_identity_type = kind
        item.positive_response_requested = True
        item.primary_field = name.encode()
        if kind == 2:
            item.secondary_field = passcode.encode()
        items.append(item)
    return entity.associate("127.0.0.1", port, ae_title="SESAMOID", ext_neg=items)


def test_where_identity_is_asked_for_only_devices_with_their_passcode_come_in(start):
    node = start(user_identity=True)
    for name, role in (("xray", "device"), ("ida", "reader")):
        node.store.add_user(name, name, hash_password("correct horse"), [role])
    good = _identified(node.port, "xray", "correct horse")
    assert good.is_established
    assert good.send_c_echo().Status == 0
    good.release()
    for arguments in (
        (),
        ("xray", "wrong passcode"),
        ("xray", "", 1),
        ("ida", "correct horse"),
        ("nobody", "correct horse"),
    ):
        association = _identified(node.port, *arguments)
        assert association.is_rejected, arguments
        reason = association.acceptor.primitive
        assert (reason.result, reason.result_source, reason.diagnostic) == (1, 2, 1)


def test_guessing_passcodes_is_stopped(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.admission._MOST_WRONG", 2)
    node = start(user_identity=True)
    node.store.add_user("xray", "xray", hash_password("correct horse"), ["device"])
    for _ in range(2):
        assert _identified(node.port, "xray", "guess").is_rejected
    assert _identified(node.port, "xray", "correct horse").is_rejected
