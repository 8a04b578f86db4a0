"""Run inside the GIS's own Python: look at the forms of a new property, and draw with them.

    python3 in_the_gis.py PROPERTY.GPKG

Prints one JSON object: what each form offers, and what came of the drawing.
"""

import json
import sys

from qgis.core import QgsApplication, QgsGeometry, QgsVectorLayer, QgsVectorLayerUtils

SHAPES = {
    "boundary": "MULTIPOLYGON(((0 0, 40 0, 40 30, 0 30, 0 0)))",
    "hydrozones": "MULTIPOLYGON(((2 2, 18 2, 18 12, 2 12, 2 2)))",
    "buildings": "MULTIPOLYGON(((20 4, 32 4, 32 14, 20 14, 20 4)))",
    "walls": "MULTILINESTRING((1 20, 9 20))",
    "fixtures": "POINT(20 5)",
}
#: What someone chooses in the drop-downs; the defaults do the rest.
CHOSEN = {
    "hydrozones": {"zone": "Lawn", "plants": "Lawn: fescue, rye, bluegrass (cool season)"},
    "fixtures": {"kind": "Controller"},
}


def words(layer, field):
    config = layer.fields().field(field).editorWidgetSetup().config()
    return {says: word for pair in config.get("map", []) for says, word in pair.items()}


def main(path):
    application = QgsApplication([], False)  # noqa: FBT003
    application.initQgis()
    found = {}
    for name, wkt in SHAPES.items():
        layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
        fields = layer.fields()
        found[name] = {
            "widgets": {f.name(): f.editorWidgetSetup().type() for f in fields},
            "defaults": {f.name(): f.defaultValueDefinition().expression() for f in fields},
            "aliases": {f.name(): f.alias() for f in fields},
            "words": {f.name(): words(layer, f.name()) for f in fields},
        }
        layer.startEditing()
        told = {
            fields.indexOf(field): words(layer, field).get(text, text)
            for field, text in CHOSEN.get(name, {}).items()
        }
        shape = QgsGeometry.fromWkt(wkt)
        shape.translate(476_900, 4_430_000)
        layer.addFeature(QgsVectorLayerUtils.createFeature(layer, shape, told))
        found[name]["kept"] = layer.commitChanges()
    print(json.dumps(found))


main(*sys.argv[1:])
