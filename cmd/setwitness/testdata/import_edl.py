"""Lets the importer of Debian's openshot-qt, a general-purpose editor, read an edit
decision list, and prints each clip that it puts on its time line as a line of JSON:
the file, where the clip stands, and which stretch of the file it shows, in seconds.

import_edl.py LIST RATE-NUMERATOR RATE-DENOMINATOR, in the folder of the take. The
window, the file dialog and the project are replaced; lines, time codes and media are
read by the editor's own code and library.
"""
import json
import sys

sys.path.insert(0, "/usr/lib/python3/dist-packages/openshot_qt")
from classes.importers import edl  # noqa: E402

path, num, den = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])


class Anything:
    def __getattr__(self, name):
        return Anything()

    def __call__(self, *args, **kwargs):
        return Anything()


class Project:
    current_filepath = ""

    def get(self, key):
        return {"layers": [{"number": 1}], "fps": {"num": num, "den": den}}[key]


class App:
    window = Anything()
    project = Project()

    def _tr(self, text):
        return text


class Dialog:
    @staticmethod
    def getOpenFileName(*args):
        return path, ""


class Record:
    def __init__(self):
        self.id, self.data = "1", {"id": "1"}

    @staticmethod
    def get(**what):
        return None

    def save(self):
        self.data["id"] = self.id


class Clip(Record):
    def save(self):
        d = self.data
        print(json.dumps({"file": d["title"], "position": d["position"], "start": d["start"], "end": d["end"], "lines": d["reader"]["height"]}))


edl.get_app, edl.QFileDialog = App, Dialog
edl.Track, edl.File, edl.Clip = Record, Record, Clip
edl.find_missing_file = lambda name: (name, False, False)
edl.import_edl()
