"""Asking the service: what the command says happened is what happened."""

from __future__ import annotations

import threading
import time

import pytest

from edgeagent.commands import shared_asking
from edgeagent.errors import AgentError
from edgeagent.judging.requests import ReleaseRequest, RequestAnswer
from edgeagent.store.requests import RequestFolder

REQUEST = ReleaseRequest(part="P", serial="1", who="A. N.", why="measured again")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(shared_asking, "_PATIENCE_S", 0.1)
    found = RequestFolder(tmp_path)
    assert found.own(None) is None
    return found


def test_request_that_the_service_had_read_when_it_was_withdrawn_is_not_called_undone(folder, tmp_path):
    def serve() -> None:
        while not (paths := folder.waiting()):
            time.sleep(0.01)
        handed = folder.read(paths[0], time.time())
        while paths[0].exists():  # on record meanwhile, slowly
            time.sleep(0.01)
        folder.answer(paths[0], RequestAnswer(granted=True, reason=f"released {handed.request.serial}", seq=7))

    service = threading.Thread(target=serve)
    service.start()
    answer = shared_asking.ask_service(tmp_path, REQUEST, "nothing was released")
    service.join()
    assert answer.seq == 7


def test_request_that_nobody_reads_is_withdrawn_and_says_so(folder, tmp_path, monkeypatch):
    monkeypatch.setattr(shared_asking, "_LAST_ANSWER_S", 0.1)
    with pytest.raises(AgentError, match="withdrawn, nothing was released"):
        shared_asking.ask_service(tmp_path, REQUEST, "nothing was released")
    assert list(folder.folder.iterdir()) == []
