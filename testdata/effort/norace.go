//go:build !race

package effort

const race = false
