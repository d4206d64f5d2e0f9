"""An export folder that is only the empty place where a share used to be is unavailable, with the reason."""

from __future__ import annotations

import pytest

from edgeagent.rules.files.availability import mount_lost, unavailable_reason


@pytest.mark.parametrize(
    ("before", "now", "lost"),
    [
        ("/srv/exports", "/", True),
        ("/srv/exports", "/srv", True),
        ("/srv/exports", "/srv/exports", False),
        ("/", "/srv/exports", False),
        ("/srv", "/srv/exports", False),
        (None, "/", False),
        ("/srv/exports", None, False),
        (None, None, False),
    ],
)
def test_mount_is_lost_where_the_path_leads_to_the_file_system_below_it(before, now, lost):
    assert mount_lost(before, now) is lost


def test_reason_names_the_lost_mount_before_the_missing_marker():
    assert unavailable_reason("/srv/exports", "/", ".share") == "nothing is mounted at /srv/exports any more"
    found = unavailable_reason("/srv/exports", "/srv/exports", ".share")
    assert found == "the marker file .share is missing: is the share mounted?"


def test_folder_that_is_what_it_was_is_available():
    assert unavailable_reason("/srv/exports", "/srv/exports", None) is None
    assert unavailable_reason(None, None, None) is None
