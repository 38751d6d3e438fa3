//go:build !js

package outside

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
)

const colorIO = `
import json, sys
import numpy as np
import PyOpenColorIO as ocio
given = json.load(open(sys.argv[1]))
out = {}
for name, path in given["Files"].items():
    if path.endswith((".cc", ".ccc", ".cdl")):
        t = ocio.CDLTransform.CreateFromFile(path, "" if path.endswith(".cc") else given["ID"])
        t.setStyle(ocio.CDL_NO_CLAMP)
    else:
        t = ocio.FileTransform(src=path, interpolation=ocio.INTERP_DEFAULT)
    pix = np.array(given["Pixels"], dtype=np.float32)
    ocio.Config.CreateRaw().getProcessor(t).getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(pix)
    out[name] = pix.astype(float).tolist()
print(json.dumps(out))
`

// ColorIO returns what OpenColorIO makes of pixels by files of color, under the names that these
// are given by. Of the files of ASC CDL that have several corrections it takes the one of that id,
// and does not clamp.
func ColorIO(t testing.TB, files map[string]string, id string, pixels [][3]float32) map[string][][3]float64 {
	t.Helper()
	text, err := json.Marshal(map[string]any{"Files": files, "ID": id, "Pixels": pixels})
	if err != nil {
		t.Fatal(err)
	}
	given := filepath.Join(t.TempDir(), "given.json")
	if err := os.WriteFile(given, text, 0o666); err != nil {
		t.Fatal(err)
	}
	var got map[string][][3]float64
	Python(t, colorIO, &got, given)
	return got
}
