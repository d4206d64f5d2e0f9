"""A part's proof: checked by the public key alone, also by twenty lines that know nothing of this program."""

from __future__ import annotations

import base64
import hashlib
import json
import random

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from records import line_of

from edgeagent.codec.evidence.checkpoints import TreeHead, cosign, sign_checkpoint
from edgeagent.codec.evidence.merkle import ProofError, Tree
from edgeagent.codec.evidence.notes import LOG, WITNESS, SigningKey, with_signatures
from edgeagent.codec.evidence.proofs import FORM, ProofFile, check_proof, proved_line
from edgeagent.codec.records.record import GENESIS
from edgeagent.codec.records.result import encode

KEY = SigningKey("edgeagent/plant/cell/gauge/0123456789abcdef", LOG, bytes(range(32)))
OTHER = SigningKey(KEY.name, LOG, bytes(range(2, 34)))
WITNESS_KEY = SigningKey("witness/office", WITNESS, bytes(range(1, 33)))


def lines_of(count: int) -> list[bytes]:
    head, lines = GENESIS, []
    for seq in range(1, count + 1):
        line, head = line_of(
            seq, "2026-03-02T10:00:00.000000Z", "recovery", head, {"what": "x", "reason": f"{seq}"}
        )
        lines.append(line.rstrip(b"\n"))
    return lines


@pytest.fixture(scope="module")
def proof() -> dict:
    """Of records 3 and 8 among 300, cosigned."""
    lines = lines_of(300)
    leaves = [bytes.fromhex(json.loads(line)["hash"]) for line in lines]
    tree = Tree(lambda begin, end: b"".join(leaves[begin:end]))
    for leaf in leaves:
        tree.append(leaf)
    note = sign_checkpoint(TreeHead(KEY.name, 300, tree.root()), KEY)
    note = with_signatures(note, [cosign(note, WITNESS_KEY, 1_800_000_000)])
    records = tuple(proved_line(i, lines[i], tree.inclusion_path(i, 300)) for i in (2, 7))
    whole = ProofFile(proof=FORM, part="P", serial="1", checkpoint=note.whole, records=records)
    return json.loads(encode(whole))


def independent(data: bytes, public_key: str) -> list[dict]:
    """What edgeagent/store/FORMAT.md shows: the records of a proof, or an exception."""
    name, _, key = public_key.split("+", 2)
    key = base64.b64decode(key)
    proof = json.loads(data)
    text, _, signatures = proof["checkpoint"].rpartition("\n\n")
    text += "\n"
    key_id = hashlib.sha256(name.encode() + b"\n" + key).digest()[:4]
    signed = [base64.b64decode(line.split()[2]) for line in signatures.splitlines() if line.split()[1] == name]
    (signature,) = [s[4:] for s in signed if s[:4] == key_id]
    Ed25519PublicKey.from_public_bytes(key[1:]).verify(signature, text.encode())
    _, size, root = text.splitlines()[:3]
    for record in proof["records"]:
        head, _, tail = record["line"].encode().rpartition(b',"hash":"')
        assert hashlib.sha256(head).hexdigest() == tail[:64].decode()
        node, at, last = bytes.fromhex(tail[:64].decode()), record["index"], int(size) - 1
        node = hashlib.sha256(b"\0" + node).digest()
        for sibling in map(base64.b64decode, record["path"]):
            left = at % 2 == 1 or at == last
            while left and at % 2 == 0 and at:
                at, last = at // 2, last // 2
            node = hashlib.sha256(b"\1" + (sibling + node if left else node + sibling)).digest()
            at, last = at // 2, last // 2
        assert (last, node) == (0, base64.b64decode(root))
    return [json.loads(record["line"]) for record in proof["records"]]


def test_proof_shows_its_records_and_who_signed_and_witnessed_them(proof):
    found = check_proof(json.dumps(proof).encode(), KEY.verifier, [WITNESS_KEY.verifier])
    assert [r.seq for r in found.records] == [3, 8]
    assert (found.head.size, found.witnessed) == (300, (("witness/office", 1_800_000_000),))


def test_proof_holds_for_twenty_lines_that_know_nothing_of_this_program(proof):
    assert [r["seq"] for r in independent(json.dumps(proof).encode(), KEY.verifier.text)] == [3, 8]
    with pytest.raises(Exception):  # noqa: B017 - the twenty lines have no errors of their own
        independent(json.dumps(proof).encode(), OTHER.verifier.text)


def test_no_changed_byte_of_a_proof_is_accepted_with_other_records(proof):
    data = json.dumps(proof, ensure_ascii=False).encode()
    chance, true = random.Random(7), check_proof(data, KEY.verifier).records
    for _ in range(400):
        bent = bytearray(data)
        bent[chance.randrange(len(bent))] ^= 1 << chance.randrange(8)
        try:
            found = check_proof(bytes(bent), KEY.verifier)
        except ProofError:
            continue
        assert (
            found.records == true
        )  # only what proves nothing was changed: a space, the part's name, a cosignature


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: p["records"][0].update(index=3), "is said to be leaf 3"),
        (lambda p: p["records"][0].update(path=[]), "does not end in the root"),
        (lambda p: p["records"][0].update(path=p["records"][1]["path"]), "does not end in the root"),
        (lambda p: p["records"][0].update(path=["AAAA"]), "malformed"),
        (lambda p: p["records"][0].update(path=p["records"][0]["path"] * 20), "malformed"),
        (lambda p: p["records"][0].update(line="{}"), "does not end with a hash"),
        (lambda p: p.update(records=[]), "no record"),
        (lambda p: p.update(proof="another/1"), "form"),
        (lambda p: p.update(checkpoint="x"), "checkpoint"),
        (lambda p: p.pop("checkpoint"), "not a proof"),
    ],
)
def test_bent_proof_says_what_is_wrong(proof, change, words):
    bent = json.loads(json.dumps(proof))
    change(bent)
    with pytest.raises(ProofError, match=words):
        check_proof(json.dumps(bent).encode(), KEY.verifier)


def test_proof_of_another_key_or_a_record_rewritten_with_a_fitting_hash_is_refused(proof):
    with pytest.raises(ProofError, match="not signed by"):
        check_proof(json.dumps(proof).encode(), OTHER.verifier)
    bent = json.loads(json.dumps(proof))
    old = json.loads(bent["records"][0]["line"])
    line, _ = line_of(3, old["time"], "recovery", old["prev"], {"what": "x", "reason": "forged"})
    bent["records"][0]["line"] = line.decode().rstrip("\n")
    with pytest.raises(ProofError, match="does not end in the root"):
        check_proof(json.dumps(bent).encode(), KEY.verifier)


def test_what_is_no_proof_ends_in_one_error():
    for data in (b"", b"\xff", b"[" * 100_000, b"{}", b"0" * 5_000_000):
        with pytest.raises(ProofError):
            check_proof(data, KEY.verifier)
