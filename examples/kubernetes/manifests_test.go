//go:build !js

package kubernetes

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
)

// job has the fields of batch/v1's Job that the manifests may have: one that is not here is an
// error, as it is for the server with strict validation. Names and types are those of the
// Kubernetes API reference (batch/v1 Job, core/v1 PodSpec; not checked against the source); the
// annotation with the index is that of
// kubernetes.io/docs/tasks/job/indexed-parallel-processing-static.
type job struct {
	APIVersion, Kind string
	Metadata         struct{ Name string }
	Spec             struct {
		CompletionMode                        string
		Completions, Parallelism              int
		BackoffLimit, TTLSecondsAfterFinished int
		Template                              struct {
			Spec struct {
				RestartPolicy                string
				AutomountServiceAccountToken *bool
				SecurityContext              struct {
					RunAsNonRoot                   bool
					RunAsUser, RunAsGroup, FSGroup int
				}
				Containers []struct {
					Name, Image string
					Args        []string
					Env         []struct {
						Name      string
						ValueFrom struct{ FieldRef struct{ FieldPath string } }
					}
					Resources       struct{ Requests, Limits map[string]string }
					SecurityContext struct {
						AllowPrivilegeEscalation *bool
						ReadOnlyRootFilesystem   bool
						Capabilities             struct{ Drop []string }
					}
					VolumeMounts []struct{ Name, MountPath string }
				}
				Volumes []struct {
					Name                  string
					PersistentVolumeClaim struct{ ClaimName string }
				}
			}
		}
	}
}

// read reads a manifest by PyYAML, which is not this program's own.
func read(t *testing.T, path string) (j job) {
	t.Helper()
	var raw json.RawMessage
	outside.Python(t, "import json, sys, yaml\nprint(json.dumps(yaml.safe_load(open(sys.argv[1]))))", &raw, path)
	d := json.NewDecoder(strings.NewReader(string(raw)))
	d.DisallowUnknownFields()
	if err := d.Decode(&j); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return j
}

func TestManifests(t *testing.T) {
	tier.InTest(t)
	for _, path := range []string{"estimate.yaml", "comp.yaml"} {
		j := read(t, path)
		pod := j.Spec.Template.Spec
		if j.APIVersion != "batch/v1" || j.Kind != "Job" || j.Metadata.Name == "" || len(pod.Containers) != 1 {
			t.Fatalf("%s: %+v", path, j)
		}
		c := pod.Containers[0]
		// A Job's pods may be restarted Never or OnFailure alone.
		if pod.RestartPolicy != "Never" || c.Args[0] != "comp" || !strings.Contains(c.Image, ":") {
			t.Errorf("%s: restarted %s, %v of %s", path, pod.RestartPolicy, c.Args, c.Image)
		}
		if !pod.SecurityContext.RunAsNonRoot || pod.SecurityContext.RunAsUser == 0 || *c.SecurityContext.AllowPrivilegeEscalation || *pod.AutomountServiceAccountToken || !c.SecurityContext.ReadOnlyRootFilesystem {
			t.Errorf("%s: it may do more than it needs", path)
		}
		if len(c.VolumeMounts) != 1 || len(pod.Volumes) != 1 || c.VolumeMounts[0].Name != pod.Volumes[0].Name {
			t.Errorf("%s: mounts %v of %v", path, c.VolumeMounts, pod.Volumes)
		}
		for _, a := range c.Args[1:] { // the paths are in the volume
			if _, value, _ := strings.Cut(a, "="); strings.HasPrefix(value, "/") && !strings.HasPrefix(value, c.VolumeMounts[0].MountPath+"/") {
				t.Errorf("%s: %s is not in the volume", path, a)
			}
		}
	}
	estimate, comp := read(t, "estimate.yaml"), read(t, "comp.yaml")
	spec := comp.Spec
	c := spec.Template.Spec.Containers[0]
	if spec.CompletionMode != "Indexed" || spec.Completions < 2 || spec.Parallelism > spec.Completions {
		t.Errorf("%s, %d completions, %d at once", spec.CompletionMode, spec.Completions, spec.Parallelism)
	}
	if want := fmt.Sprintf("--shard=$(JOB_COMPLETION_INDEX)/%d", spec.Completions); !slices.Contains(c.Args, want) {
		t.Errorf("%v lacks %s", c.Args, want)
	}
	if len(c.Env) != 1 || c.Env[0].Name != "JOB_COMPLETION_INDEX" || c.Env[0].ValueFrom.FieldRef.FieldPath != "metadata.annotations['batch.kubernetes.io/job-completion-index']" {
		t.Errorf("the index is from %+v", c.Env)
	}
	recipe := "/shots/shot12/take.json"
	if !slices.Contains(estimate.Spec.Template.Spec.Containers[0].Args, "--save-recipe="+recipe) || !slices.Contains(c.Args, "--recipe="+recipe) {
		t.Error("the parts have another recipe than is estimated")
	}
}
