// Package arch holds the map of the rooms as data, and a test that keeps the house to it.
//
// There is no code here beyond the tests: table_test.go is the map, rules_test.go what is looked for, house_test.go the look at this
// checkout, rules_self_test.go small sources on which every rule is seen to fail. Sources are read as text, not built, so that files for
// other machines and build tags are seen as well.
package arch
