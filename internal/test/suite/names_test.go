package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"testing"
)

// One exported type name means one thing, in whatever package it is.
func TestTypeNamesAreUnique(t *testing.T) {
	where := map[string]string{}
	err := eachFile(func(pkg, path string) error {
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil || f.Name.Name == "main" {
			return err
		}
		for _, decl := range f.Decls {
			types, ok := decl.(*ast.GenDecl)
			if !ok || types.Tok != token.TYPE {
				continue
			}
			for _, spec := range types.Specs {
				name := spec.(*ast.TypeSpec).Name
				if !name.IsExported() {
					continue
				}
				if other, ok := where[name.Name]; ok && other != pkg {
					t.Errorf("%s and %s both have a type %s: call one of them what it is there", other, pkg, name.Name)
				}
				where[name.Name] = pkg
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(where) < 100 {
		t.Errorf("only %d types were seen", len(where))
	}
}
