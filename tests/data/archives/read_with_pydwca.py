"""Print what pydwca reads of the archive named on the command line, and what metapype finds wrong with its EML."""

import json
import sys
import zipfile

from dwca import DarwinCoreArchive
from dwca.terms import AssociatedTaxa, DWCDynamicProperties
from metapype.eml import validate
from metapype.model import metapype_io

for term in (AssociatedTaxa, DWCDynamicProperties):  # pydwca does not convert these: it asks to replace their `format`
    term.format = lambda self, value: value
archive = DarwinCoreArchive.from_file(sys.argv[1], _no_interaction=True)
with zipfile.ZipFile(sys.argv[1]) as packed:
    metadata = metapype_io.from_xml(packed.read("eml.xml").decode())
faults: list = []
validate.tree(metadata, faults)
form = {
    "titles": [str(title) for title in archive.metadata.resource.titles],
    "faults": [str(fault) for fault in faults],
    "core": archive.core.as_pandas().to_dict("records"),
    "media": archive.extensions[0].as_pandas().to_dict("records"),
}
print(json.dumps(form, default=str))
