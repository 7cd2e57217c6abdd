"""An archive by dwcahandler: quoted cells, no coreid column of its own, media on the web."""

import pandas as pd
from dwcahandler import (
    Contact,
    ContentData,
    Dataset,
    Description,
    DwcaHandler,
    Eml,
    MetaElementTypes,
    Name,
)

occurrence = pd.DataFrame(
    {
        "occurrenceID": ["o1", "o2"],
        "materialSampleID": ["vial-1", "vial-1"],
        "basisOfRecord": ["PreservedSpecimen"] * 2,
        "scientificName": ["Dermacentor variabilis", "Ixodes sp."],
        "lifeStage": ["adult", "nymph"],
        "sex": ["male", ""],
        "eventDate": ["2024-05-18", "2024-05-17/18"],
        "occurrenceRemarks": ['found "on the dog", alive', "two, three"],
    }
)
media = pd.DataFrame(
    {
        "occurrenceID": ["o1", "o2"],
        "identifier": ["https://pictures.example/one%20tick.jpg", "https://pictures.example/two.jpg"],
        "license": [
            "https://creativecommons.org/licenses/by-nc/4.0/",
            "https://creativecommons.org/publicdomain/zero/1.0/",
        ],
        "creator": ["submitter 1, Larkmoor", "submitter 2"],
    }
)
eml = Eml(
    dataset=Dataset(
        dataset_name="Larkmoor, two records",
        abstract=Description("Invented records."),
        creator=Contact(individual_name=Name(first_name="L", last_name="Moor"), email="bench@larkmoor.example"),
    )
)
DwcaHandler.create_dwca(
    core_csv=ContentData(data=occurrence, type=MetaElementTypes.OCCURRENCE, keys=["occurrenceID"]),
    ext_csv_list=[ContentData(data=media, type=MetaElementTypes.MULTIMEDIA)],
    eml_content=eml,
    output_dwca="dwcahandler.zip",
)
