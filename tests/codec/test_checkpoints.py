"""Checkpoints and cosignatures: a published log's with a published witness's, ours, and bent ones.

The cosigned checkpoint and both keys are real ones from a public log's test (of a Python implementation of C2SP
tlog-checkpoint, found by the witness's name; seen); its time is what its bytes say.
"""

from __future__ import annotations

import pytest

from edgeagent.codec.evidence.checkpoints import (
    TreeHead,
    cosign,
    cosigned_at,
    open_checkpoint,
    read_tree_head,
    sign_checkpoint,
)
from edgeagent.codec.evidence.merkle import EMPTY_ROOT
from edgeagent.codec.evidence.notes import (
    LOG,
    WITNESS,
    NoteError,
    SigningKey,
    read_note,
    read_verifier_key,
    with_signatures,
)

PUBLISHED = """\
arche2025h1.staging.ct.transparency.dev
1432088532
U7WM79jrzyhGZ5/GUBTpM7NzwdyfFx61t3RovgcC4Ro=

— arche2025h1.staging.ct.transparency.dev zTM8sQAAAZ5W0WdjBAMARjBEAiBjW5IQf9pvsYLfQFX6hoGREPMHbdQ3urbllzalApkptQIgIpwtEroeW2BXaHAI4kJXFbon5Ch9MNL5zRNZ55lvGt0=
— arche2025h1.staging.ct.transparency.dev ui8GwCF1+kWqZrxGdhj4aX3gcw7XUlXQQabg/27lefwhUkzbC3NygNI75MdhL1bfTW9g8Ei59RA23oHP7Ry1k3ZFWwQ=
— transparency.dev/DEV:witness-little-garden 2AQqhwAAAABqEiEgzgFIqqhbUoDwjMWE6UP8nd8/KYTzwZ2rhIgcqoXHAwVkjZr4AscylP3v7sEodkRAErumC2q44vdgJY096st5BQ==
— witness1.smartit.nu/witness1 pIyCDwAAAABqEiEghIp82KWebrw7/oHQwlTAm3g2RKS4+eebl8eO0WH+/iEcxZ75W3u5hNI7TOQtmJbqmNWVuE0tgh0XwzdZsDsUAQ==
— remora.n621.de 2net5wAAAABqEiEgPlfF3V06o0Y+fHM+J5J9s27wgxxcOVSpZ/2g/KSiXCg9DEZI+aVCIobWX9sXTynk5XeU/zZ0WBxtqB0DrAWfBw==
— witness.stagemole.eu Z/euoAAAAABqEiEgw0i+7g2ENfDAWHmtRzCfKTHSDwYDJA2NmKeGi9Y8FtEyOUvVr+AJmIY/2TUFucgKi7lI7cUiOvKFYe/TmN9DAg==
"""  # noqa: E501
ITS_LOG = "arche2025h1.staging.ct.transparency.dev+ba2f06c0+AU0vHmlGCS/PdN8b2OaGmKprLI8HKM+dJ472xgFYh15f"
ITS_WITNESS = "remora.n621.de+da77ade7+BOvN63jn/bLvkieywe8R6UYAtVtNbZpXh34x7onlmtw2"
SPECIFIED = """\
example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=
— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==
"""  # noqa: E501
"""The example of C2SP tlog-cosignature.md (seen), whose text says that its time is 1679315147."""
LOG_KEY = SigningKey("edgeagent/plant/cell/gauge/0123456789abcdef", LOG, bytes(range(32)))
WITNESS_KEY = SigningKey("witness/office", WITNESS, bytes(range(1, 33)))


def test_published_checkpoint_opens_with_its_log_s_key_and_its_witness_s():
    head, note = open_checkpoint(PUBLISHED.encode(), read_verifier_key(ITS_LOG))
    assert (head.size, head.root.hex()[:8]) == (1432088532, "53b58cef")
    assert cosigned_at(note, read_verifier_key(ITS_WITNESS)) == 1779573024
    bent = PUBLISHED.replace("1432088532", "1432088533")
    with pytest.raises(NoteError, match="is wrong"):
        open_checkpoint(bent.encode(), read_verifier_key(ITS_LOG))
    with pytest.raises(NoteError, match="is wrong"):
        cosigned_at(read_note(bent.encode()), read_verifier_key(ITS_WITNESS))


def test_specification_s_example_reads_as_its_text_says():
    note = read_note(SPECIFIED.encode())
    head = read_tree_head(note.text)
    assert (head.origin, head.size) == ("example.com/behind-the-sofa", 20852163)
    assert int.from_bytes(note.signatures[1].data[:8], "big") == 1679315147
    assert note.whole == SPECIFIED
    assert head.text == note.text


def test_own_checkpoint_with_a_cosignature_opens_again():
    head = TreeHead(LOG_KEY.name, 7, bytes(32))
    note = sign_checkpoint(head, LOG_KEY)
    note = with_signatures(note, [cosign(note, WITNESS_KEY, 1_800_000_000)])
    found, again = open_checkpoint(note.whole.encode(), LOG_KEY.verifier)
    assert (found, cosigned_at(again, WITNESS_KEY.verifier)) == (head, 1_800_000_000)


def test_cosignature_holds_for_its_text_and_time_alone():
    note = sign_checkpoint(TreeHead("log", 7, bytes(32)), LOG_KEY)
    other = sign_checkpoint(TreeHead("log", 8, bytes(32)), LOG_KEY)
    signature = cosign(note, WITNESS_KEY, 5)
    with pytest.raises(NoteError, match="is wrong"):
        cosigned_at(with_signatures(other, [signature]), WITNESS_KEY.verifier)
    later = type(signature)(signature.name, signature.key_id, (6).to_bytes(8, "big") + signature.data[8:])
    with pytest.raises(NoteError, match="is wrong"):
        cosigned_at(with_signatures(note, [later]), WITNESS_KEY.verifier)


def test_log_s_key_does_not_cosign_and_a_witness_s_does_not_sign():
    note = sign_checkpoint(TreeHead("log", 7, bytes(32)), LOG_KEY)
    with pytest.raises(NoteError):
        cosign(note, LOG_KEY, 5)
    with pytest.raises(NoteError):
        open_checkpoint(
            sign_checkpoint(TreeHead("log", 7, bytes(32)), WITNESS_KEY).whole.encode(), WITNESS_KEY.verifier
        )


def test_empty_log_has_a_checkpoint():
    assert read_tree_head(TreeHead("log", 0, EMPTY_ROOT).text).size == 0


@pytest.mark.parametrize(
    "text",
    [
        "log\n7\n", "log\n07\n" + "A" * 43 + "=\n", "log\n-1\n" + "A" * 43 + "=\n", "log\n²\n" + "A" * 43 + "=\n",  # noqa: E501
        "log\n7\nAAAA\n", "log\n7\nno base64\n", "\n7\n" + "A" * 43 + "=\n", "log\n7\n" + "A" * 43 + "=\n\nmore\n",  # noqa: E501
        "log\n7\n" + "A" * 43 + "=", "log\n" + "9" * 5000 + "\n" + "A" * 43 + "=\n", "log\n7\n" + "A" * 42 + "B=\n",  # noqa: E501
    ],
)  # fmt: skip
def test_text_that_is_no_checkpoint_is_refused(text):
    with pytest.raises(NoteError):
        read_tree_head(text)
