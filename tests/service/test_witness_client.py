"""A witness on a broker with TLS, by the certificate of an authority of the plant's own, and by no other."""

from __future__ import annotations

import datetime
import ipaddress
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from evidence import WITNESS_KEY, checkpoint_of, key_of, signed_store
from field import PREFIX, Broker, Listener, wait_until

from edgeagent.codec.configuration.settings import Mqtt, Tls
from edgeagent.codec.evidence.checkpoints import cosigned_at
from edgeagent.codec.evidence.notes import read_note
from edgeagent.codec.evidence.witnessing import WitnessDocument, document_of, read_document
from edgeagent.codec.records.result import encode
from edgeagent.service.broker.witness_client import WitnessClient
from edgeagent.store.evidence.witness import WitnessMemory

pytestmark = pytest.mark.needs_mosquitto


def certificate(folder: Path, name: str, signer: tuple[x509.Certificate, ec.EllipticCurvePrivateKey] | None):
    """An authority where there is no signer, else a server's on 127.0.0.1; written as PEM (RFC 7468)."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    issuer = subject if signer is None else signer[0].subject
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(hours=1))
        .add_extension(x509.BasicConstraints(ca=signer is None, path_length=None), critical=True)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
        )
        .sign(key if signer is None else signer[1], hashes.SHA256())
    )
    (folder / f"{name}.crt").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    (folder / f"{name}.key").write_bytes(pem)
    return made, key


@dataclass(frozen=True)
class Plant:
    folder: Path
    port: int
    store: Path

    def client(self, authority: str) -> WitnessClient:
        settings = Mqtt(url=f"mqtts://127.0.0.1:{self.port}", tls=Tls(ca=f"{authority}.crt"))
        return WitnessClient(settings, PREFIX, self.folder, WITNESS_KEY.name)

    def listener(self) -> Listener:
        return Listener(self.port, tls=ssl.create_default_context(cafile=self.folder / "plant.crt"))


@pytest.fixture(scope="module")
def plant(tmp_path_factory) -> Iterator[Plant]:
    folder = tmp_path_factory.mktemp("tls")
    authority = certificate(folder, "plant", None)
    certificate(folder, "stranger", None)
    certificate(folder, "broker", authority)
    lines = [f"certfile {folder / 'broker.crt'}", f"keyfile {folder / 'broker.key'}"]
    with Broker(folder, lines) as broker:
        yield Plant(folder, broker.port, signed_store(folder / "store"))


def test_witness_follows_the_retained_topic_over_tls_and_its_cosignature_stays_there(plant, tmp_path):
    memory = WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [key_of().verifier])
    with plant.listener() as log:
        document = encode(document_of(checkpoint_of(plant.store, 9), {}))
        assert log.publish("checkpoint", document, retain=True) == ""
        client = plant.client("plant")
        try:
            data = client.next(60)
            assert data == document
            looked = memory.look(data, 1_800_000_000)
            client.answer(encode(WitnessDocument(looked.note.whole)))
            topic = "checkpoint/cosigned/witness_office"
            log.wait(lambda heard: heard.messages(topic))
        finally:
            client.close()
            memory.close()
    with plant.listener() as late:
        note = read_note(read_document(late.wait_topic(topic)[0].payload).checkpoint.encode())
    assert cosigned_at(note, WITNESS_KEY.verifier) == 1_800_000_000


# paho leaves the socket of a handshake that failed to the garbage collector
@pytest.mark.filterwarnings("ignore:.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_broker_by_another_authority_hears_nothing_of_the_witness_which_says_so(plant):
    client = plant.client("stranger")
    try:
        wait_until(lambda: (client.problem() or "").endswith("by another authority"), what="it says why")
        assert client.next(0.0) is None
    finally:
        client.close()
