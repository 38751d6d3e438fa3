// Package kubernetes tests the manifests beside it.
package kubernetes
