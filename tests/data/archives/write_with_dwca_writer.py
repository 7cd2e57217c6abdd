"""An archive by dwca-writer: Simple Multimedia, its own reading of the extension definitions."""

import xml.etree.ElementTree as ET

import pandas as pd
from dwcawriter import Archive, Table

occurrence = pd.DataFrame(
    {
        "occurrenceID": ["o1", "o2", "o3"],
        "organismID": ["tick-1", "tick-2", "tick-3"],
        "basisOfRecord": ["HumanObservation"] * 3,
        "scientificName": ["Ixodes scapularis Say, 1821", "Ixodes ricinus", "Amblyomma americanum (Linnaeus, 1758)"],
        "identificationQualifier": ["", "cf. ricinus", ""],
        "lifeStage": ["Adult", "nymph", "larva"],
        "sex": ["♀", "", ""],
        "locality": ["Ängsö", "Larkmoor", "Pellow Fen"],
    }
)
media = pd.DataFrame(
    {
        "coreid": ["o1", "o1", "o2"],
        "type": ["StillImage", "StillImage", "Sound"],
        "identifier": ["photographs/a.jpg", "photographs/b.jpg", "c.wav"],
        "creator": ["Å. Berg"] * 3,
        "license": ["http://creativecommons.org/licenses/by/4.0/legalcode", "CC0 1.0", ""],
    }
)
archive = Archive(eml=ET.Element("eml"))
archive.core = Table(
    spec="https://rs.gbif.org/core/dwc_occurrence_2022-02-02.xml", data=occurrence, id_index=0, only_mapped_columns=True
)
archive.extensions = [Table(spec="https://rs.gbif.org/extension/gbif/1.0/multimedia.xml", data=media, id_index=0)]
archive.export("dwca_writer.zip")
