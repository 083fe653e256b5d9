package schedule

import (
	"cmp"
	"slices"
	"strings"
)

// role is what a word of a line does there.
type role uint8

const (
	noRole        role = iota
	rolePace           // at 1:50
	roleIn             // in 0:42
	roleSendOff        // on 1:10
	roleRest           // rest :20
	roleDescend        // descend 2 s
	roleAscend         // ascend 2 s
	roleOdd            // odd at 1:50
	roleEven           // even at 1:40
	roleAlternate      // alternate easy, fast
	roleBuild          // build 1:50 to 1:40
	roleOpen           // open at 1:45
	roleCap            // at most 6:00
	roleTo             // 1:50 to 1:40
	roleFrom           // descend from 1:50 to 1:40
	roleBy             // descend by 2 s
	rolePer            // 1:40 per 100
	rolePlus           // threshold plus 4
	roleMinus          // threshold minus 4
	roleThreshold      // at threshold
	roleRounds         // 3 rounds of (…)
	roleTimes          // 3 x (…)
	roleThen           // 200 easy then 4 x 50 …
	roleFaster         // each 2 s faster
	roleSlower         // 2 s slower than threshold
	roleHold           // means two things
	roleMetre          // 400 m
	roleYard           // 400 yd
	roleKilometre      // 1.5 km
	roleSecond         // 20 s
	roleMinute         // 4 min
	roleHour           // 1 h
	roleRemark         // kick, with or without more in quotes
	roleDrill          // drill, the same, and a kind too
	roleFiller         // says nothing
	roleUntold         // belongs behind #
)

// roles are the words of a line, in lower case; words of a group are one thing.
var roles = func() map[string]role {
	m := map[string]role{}
	for r, words := range map[role]string{
		rolePace: "at pace", roleIn: "in", roleSendOff: "on every leave leaving sendoff send-off",
		roleRest: "rest rests resting ri r break pause", roleDescend: "descend descending descends desc", roleAscend: "ascend ascending ascends asc",
		roleOdd: "odd odds", roleEven: "even evens", roleAlternate: "alternate alternating alternates alternately alt", roleBuild: "build building builds",
		roleOpen: "open", roleCap: "cap max most", roleTo: "to", roleFrom: "from", roleBy: "by", rolePer: "per",
		rolePlus: "plus", roleMinus: "minus less", roleThreshold: "threshold thr css t", roleRounds: "rounds round sets reps repeats repetitions",
		roleTimes: "x times", roleThen: "then", roleFaster: "faster quicker", roleSlower: "slower", roleHold: "hold holding",
		roleMetre: "m metre metres meter meters mtr mtrs", roleYard: "yd yds yard yards y", roleKilometre: "km",
		roleSecond: "s sec secs second seconds", roleMinute: "min mins minute minutes", roleHour: "h hr hrs hour hours",
		roleDrill:  "drill drills dr",
		roleRemark: "kick kicking k pull pulling pl swim swimming scull sculling free freestyle fr front crawl back backstroke bk breast breaststroke br fly butterfly im choice fins paddles snorkel board buoy loosen",
		roleFiller: "w take ladder pyramid order than each and with of the a an as for go going set after between ea all",
		roleUntold: "total totals note notes focus equipment date coach",
	} {
		for _, w := range strings.Fields(words) {
			m[w] = r
		}
	}
	return m
}()

// kindWords are the kinds as they are written and miswritten, with what may stand for "-" already taken for one.
var kindWords = map[string]string{
	"warm-up": "warm-up", "warmup": "warm-up", "w/u": "warm-up", "wu": "warm-up", "w-up": "warm-up",
	"main": "main", "main-set": "main", "mainset": "main", "main-sets": "main", "ms": "main",
	"drill": "drill", "drills": "drill", "drill-set": "drill", "technique": "drill",
	"recovery": "recovery", "recover": "recovery",
	"cool-down": "cool-down", "cooldown": "cool-down", "c/d": "cool-down", "cd": "cool-down", "warm-down": "cool-down", "warmdown": "cool-down",
	"swim-down": "cool-down", "swimdown": "cool-down", "w/d": "cool-down",
}

// kindOf is the kind that a label or some words mean; empty for none.
func kindOf(text string) string {
	return kindWords[strings.Join(strings.Fields(strings.ToLower(strings.ReplaceAll(text, " - ", "-"))), "-")]
}

// shortened are remarks that are shown in full.
var shortened = map[string]string{"k": "kick", "pl": "pull"}

// orderWords are words that ask for something to be swum in its own way, which quotes would take away, with what to write for them.
var orderWords = func() map[string]string {
	m := map[string]string{"p": `did you mean pull? Or, for a pace, at 1:50`}
	for words, say := range map[string]string{
		"negative neg split splits progressive progressively accelerate accelerating increase increasing": `this is swum at more than one pace: write both, as in build 1:50 to 1:40 within each swim, or descend from 1:50 to 1:40 from one to the next`,
		"broken":                 `write its parts in brackets, as in 2 x (50 at 1:40, rest :10; 50 at 1:40, rest :30)`,
		"over under above below": `write threshold+2 for slower, threshold-2 for faster`,
		"through":                `write 3 x ( before all that is swum three times, and ) behind it`,
	} {
		for _, w := range strings.Fields(words) {
			m[w] = say
		}
	}
	return m
}()

// numberWords are numbers that are written out.
var numberWords = map[string]float64{"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9, "ten": 10, "twelve": 12}

// meant is the word that a misspelt one is likely to mean; empty where none is near.
func meant(word string, paces map[string]*namedPace) string {
	if len(word) < 4 || len(word) > 20 || word == "hard" || word == "fast" { // which are names of paces, and near yard and last
		return ""
	}
	best, least := "", 2
	if len(word) > 6 {
		least = 3
	}
	try := func(w string) {
		if len(w) < 3 {
			return
		}
		if d := slips(word, w); d < least || d == least && best != "" && cmp.Compare(w, best) < 0 {
			best, least = w, d
		}
	}
	for w, r := range roles {
		if r != roleFiller {
			try(w)
		}
	}
	for w := range kindWords {
		try(w)
	}
	for w := range paces {
		try(w)
	}
	return best
}

// slips is how many letters must be put in, left out or replaced, a swap of two neighbours counting as one.
func slips(a, b string) int {
	var before []int
	last := make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = slices.Min([]int{last[j] + 1, row[j-1] + 1, last[j-1] + cost})
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
