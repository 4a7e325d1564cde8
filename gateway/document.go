package gateway

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"

	"rainhill/deploy"
)

// document is the OpenAPI document of what this package serves.
type document struct {
	build      string
	yaml, json file
}

func newDocument() (d document, err error) {
	y, j, err := deploy.OpenAPI()
	if err != nil {
		return d, fmt.Errorf("reading the document of the API: %w", err)
	}
	sum := sha256.Sum256(y)
	d.build = hex.EncodeToString(sum[:8])
	if d.yaml, err = compress("application/yaml; charset=utf-8", y, false); err != nil {
		return d, err
	}
	d.json, err = compress("application/json; charset=utf-8", j, false)
	return d, err
}

func (d document) register(mux *routes) {
	mux.HandleFunc("GET /api/openapi.yaml", func(w http.ResponseWriter, r *http.Request) { d.yaml.serve(w, r, d.build) })
	mux.HandleFunc("GET /api/openapi.json", func(w http.ResponseWriter, r *http.Request) { d.json.serve(w, r, d.build) })
}
