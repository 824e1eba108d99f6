// Package config is the data shipped inside the binary: protocols, code lists
// and sample settings. It holds no logic.
package config

import "embed"

// Files holds the folders codes, protocols and settings.
//
//go:embed codes/*.yaml protocols/*.yaml settings/*.yaml
var Files embed.FS
