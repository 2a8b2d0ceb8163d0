"""Helpers for bad input given to the commands: one clear message, nothing touched."""

import re

from tests.reduction.runs import command, snapshot

COMMANDS = {
    "reduce": ("-o", "out", "--jobs", "1"),
    "inspect": (),
    "quicklook": (),
    "plan": ("--hpd", "1%"),
}
READING = tuple(COMMANDS)  # what a folder's tables say, every command has to notice
PIXELS = ("reduce",)  # what only pixels show


def text_of(done):
    """The words a user sees: inspect reports on stdout, the others on stderr."""
    return done.stdout + done.stderr


def assert_refused(folder, *words, commands=READING):
    """Exit code 1, all the words, nothing left behind and nothing touched."""
    before = snapshot(folder.parent)
    for name in commands:
        done = command(name, folder, *COMMANDS[name])
        assert done.exit_code == 1, (name, text_of(done))
        if name != "inspect":
            assert done.stdout == ""
            assert done.stderr.startswith("error: ")
        for word in words:
            assert re.search(word, text_of(done)), (name, word, text_of(done))
        assert snapshot(folder.parent) == before, name
    # The last of them once more: being quiet does not hide what is wrong.
    quiet = command(name, folder, *COMMANDS[name], "--quiet")
    assert quiet.exit_code == 1
    assert all(re.search(word, text_of(quiet)) for word in words)


def edit_setup(folder, old, new):
    text = (folder / "campaign.toml").read_text()
    assert old in text
    (folder / "campaign.toml").write_text(text.replace(old, new))
