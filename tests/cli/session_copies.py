"""Copies of one simulated session, for tests that change what they run on."""
import shutil


class SessionCopies:
    """Needs `root` (a folder of the test) and `session` (the session that stays as it is)."""

    def fresh(self, name):
        folder = self.root / name
        shutil.rmtree(folder, ignore_errors=True)
        return folder

    def copy_of_session(self, name):
        folder = self.fresh(name)
        shutil.copytree(self.session, folder)
        return folder

    def lights(self, session):
        return sorted((session / "lights").iterdir())
