// Package deploy holds what others set up and write programs by, where the
// program itself hands it out. It answers "what does the HTTP interface look like, as
// a document that stands alone?". It serves nothing and checks nothing; what else
// lies in this folder is for people and their tools.
package deploy

import (
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"strings"

	"go.yaml.in/yaml/v4"
)

//go:embed openapi.yaml schema/event.schema.json schema/setup.schema.json schema/messages.schema.json
var files embed.FS

// OpenAPI is the document of the HTTP interface, as YAML and as JSON. Where the file
// refers to the schemas beside it, these stand among its components: "trial" of
// setup.schema.json is the component setup.trial, a whole schema is event.
func OpenAPI() (asYAML, asJSON []byte, err error) {
	doc, err := read("openapi.yaml")
	if err != nil {
		return nil, nil, err
	}
	components, _ := doc["components"].(map[string]any)
	schemas, ok := components["schemas"].(map[string]any)
	if !ok {
		return nil, nil, fmt.Errorf("openapi.yaml has no components.schemas")
	}
	point(doc, "")
	for _, name := range []string{"event", "setup", "messages"} {
		s, err := read("schema/" + name + ".schema.json")
		if err != nil {
			return nil, nil, err
		}
		point(s, name)
		defs, _ := s["$defs"].(map[string]any)
		for def, x := range defs {
			schemas[name+"."+def] = x
		}
		delete(s, "$defs")
		delete(s, "$schema")
		if s["type"] != nil {
			schemas[name] = s
		}
	}
	if asJSON, err = json.MarshalIndent(doc, "", " "); err != nil {
		return nil, nil, fmt.Errorf("writing openapi.yaml as JSON: %w", err)
	}
	asYAML, err = yaml.Marshal(doc)
	return asYAML, asJSON, err
}

// read reads an embedded file: JSON is YAML too.
func read(name string) (map[string]any, error) {
	b, err := files.ReadFile(name)
	if err != nil {
		return nil, err
	}
	doc := map[string]any{}
	if err := yaml.Unmarshal(b, &doc); err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	return doc, nil
}

// point turns references to a schema file, or within the one called in, into
// references to components.
func point(v any, in string) {
	switch v := v.(type) {
	case map[string]any:
		if to, ok := v["$ref"].(string); ok {
			v["$ref"] = component(to, in)
		}
		for _, x := range v {
			point(x, in)
		}
	case []any:
		for _, x := range v {
			point(x, in)
		}
	}
}

func component(to, in string) string {
	file, place, _ := strings.Cut(to, "#")
	switch {
	case file != "":
		in = strings.TrimSuffix(path.Base(file), ".schema.json")
	case in == "":
		return to
	}
	name := in
	if def, ok := strings.CutPrefix(place, "/$defs/"); ok {
		name += "." + def
	}
	return "#/components/schemas/" + name
}
