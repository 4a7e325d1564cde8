package gateway

// Patterns are what a gateway serves: "GET /api/view" and so on.
func Patterns() ([]string, error) {
	g := &Gateway{}
	_, err := g.handler()
	return g.patterns, err
}
