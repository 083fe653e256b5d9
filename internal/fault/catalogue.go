package fault

// The codes. Guard rules and drive faults name them; SAFETY.md has a row for each.
const (
	StopPressed     Code = "stop-pressed"     // somebody asked for a stop
	NotReset        Code = "not-reset"        // nothing was reset since the start of the program
	TickLate        Code = "tick-late"        // the control loop was late by more than 150 ms
	LinkLost        Code = "link-lost"        // no answer from the drive
	FeedbackOld     Code = "feedback-old"     // the drive's report is too old
	DriveFault      Code = "drive-fault"      // the drive reports a fault of its own
	OverCap         Code = "over-cap"         // more was wished than a cap allows
	Unattended      Code = "unattended"       // no sign of a person until the idle shutoff
	LongestSwim     Code = "longest-swim"     // the longest swim is over
	StillThere      Code = "still-there"      // the question before the idle shutoff
	SoftTooSlow     Code = "soft-too-slow"    // a soft stop did not come down as it should
	PersonStop      Code = "person-stop"      // a soft stop by a person
	ProgramPanic    Code = "program-failed"   // a part of the program failed
	ProgramEnds     Code = "program-ends"     // the program is ending, and stops the motor first
	LoopSilent      Code = "loop-silent"      // the control loop has given no permission for 250 ms
	WallUnread      Code = "wall-unread"      // the stop input cannot be read, or has not been for a while
	StopUntried     Code = "stop-untried"     // no stop press was seen since the program started, or within a day
	CoverOff        Code = "cover"            // the cover interlock is open or unread
	WaterLevel      Code = "water-level"      // the water level interlock is open or unread
	NobodySeen      Code = "nobody-seen"      // blocks run and nobody was seen for 15 s
	NobodySlow      Code = "nobody-slow"      // for 30 s
	NobodyStop      Code = "nobody-stop"      // for 60 s
	NobodyYet       Code = "nobody-yet"       // a start at the wall, and nobody at the count-in's end
	SensorStuck     Code = "sensor-stuck"     // the occupancy sensor has not changed for an hour
	MotorFast       Code = "motor-fast"       // faster than ordered
	MotorSlow       Code = "motor-slow"       // not following its orders
	MotorTurns      Code = "motor-turns"      // turning while it should stand
	OverSpeed       Code = "over-speed"       // the water is faster than a cap allows
	PersonInJog     Code = "person-in-jog"    // somebody seen while the bare motor is tried
	Edited          Code = "edited"           // the configuration was changed while it was in use
	BadConfig       Code = "bad-config"       // a changed configuration has mistakes
	NotStopped      Code = "not-stopped"      // a reset where nothing is latched
	StillTurning    Code = "still-turning"    // a reset before the motor is at rest
	UnderWay        Code = "under-way"        // a start while a swim is under way
	Installing      Code = "installing"       // a start while an installer is at work
	NotInstalling   Code = "not-installing"   // an installer's jog outside the course
	NotCommissioned Code = "not-commissioned" // a start on a real drive whose safety part is not passed, or no longer counts
	LinkSettling    Code = "link-settling"    // a start before two seconds of good feedback
	NothingLaidOut  Code = "nothing-laid-out" // a start without a session
	OtherSession    Code = "other-session"    // another session where only the swimmer may change
	Stale           Code = "stale"            // a command for what was shown too long ago
	PauseWins       Code = "pause-wins"       // a resume at the same moment as a pause
	SendOffMissed   Code = "send-off-missed"  // the round took longer than its send-off
	StoreFull       Code = "store-full"       // no room for what was swum
	StoreReadOnly   Code = "store-read-only"  // the disk of the store takes no writes
	StoreFailing    Code = "store-failing"    // the disk of the store fails
	StoreDamaged    Code = "store-damaged"    // the store's file cannot be understood
	StoreSlow       Code = "store-slow"       // the disk takes longer than a second for a write
	StoreBusy       Code = "store-busy"       // another process records, or holds the store
	StoreMissed     Code = "store-missed"     // events of a swim never got to the logbook
	OtherSwimmer    Code = "other-swimmer"    // somebody else took over in a pause
	ProgramDied     Code = "program-died"     // a swim was open when the store was opened again
	MotorDrift      Code = "motor-drift"      // the motor's mean speed in a swim was not the ordered one
	WaterDrift      Code = "water-drift"      // the water's mean speed in a swim, by a flow sensor, was not the calibrated one
	CalibrationOld  Code = "calibration-old"  // the calibration is older than the configuration allows
	ClockSet        Code = "clock-set"        // the computer's clock was set while the program ran
	NotUnderstood   Code = "not-understood"   // a request that makes no sense
	NoSuchPage      Code = "no-such-page"     // an address that the panel does not have
	WrongMethod     Code = "wrong-method"     // an address that is there for something else
	TooLarge        Code = "too-large"        // a request with more text than is read
	WrongType       Code = "wrong-type"       // a request whose text is not of the kind that it must be
	BadSession      Code = "bad-session"      // a session with mistakes
	NoSuchSession   Code = "no-such-session"  // a session of that name is not here
	SessionName     Code = "session-name"     // a name that no session may have
	DemoSession     Code = "demo-session"     // a demo session cannot be changed
	NoFolder        Code = "no-folder"        // there is no folder to keep sessions in
	NoSuchSwimmer   Code = "no-such-swimmer"  // a swimmer whom nobody knows here
	SwimmerLaidOut  Code = "swimmer-laid-out" // somebody who is laid out is to be forgotten
	Unconfirmed     Code = "unconfirmed"      // a start of a session with a pace that somebody has to confirm
	StartNotHere    Code = "start-not-here"   // a start from where none is allowed
	CourseNotHere   Code = "course-not-here"  // the installer's course from where none is allowed
	PartUnderWay    Code = "part-under-way"   // a part of the course while another is under way
	NoCourse        Code = "no-course"        // a record of a course of which no part was gone through
	CodeNeeded      Code = "code-needed"      // a request by a device that is not paired
	CodeWrong       Code = "code-wrong"       // not the panel's code
	NoCode          Code = "no-code"          // there is no code to pair with
	TooManyTries    Code = "too-many-tries"   // too many codes tried
	TooMany         Code = "too-many"         // too many requests
	OtherSite       Code = "other-site"       // a request from a page of another site
	NotKept         Code = "not-kept"         // something could not be written to the disk
	LoopBusy        Code = "loop-busy"        // the control loop did not answer a request in time
)

// catalogue has every sentence. Read them in one go in testdata/sentences.golden.
var catalogue = map[Code]Fault{
	StopPressed:     {What: "Stopped: somebody pressed stop.", Water: "The water runs out by itself.", Do: "Release the stop button, then reset."},
	NotReset:        {What: "The flume has not been reset since it was switched on.", Water: "The water is not driven.", Do: "Reset, then start."},
	TickLate:        {What: "The program was late and stopped the motor.", Water: "The water runs out by itself.", Do: "Reset to go on; if it happens again, close other programs on this computer."},
	LinkLost:        {What: "The motor does not answer.", Water: "The water may still move.", Do: "Leave the water; if it does not slow down, press the emergency stop."},
	FeedbackOld:     {What: "The motor has not reported its speed for too long.", Water: "The water may still move.", Do: "Leave the water; if it does not slow down, press the emergency stop."},
	DriveFault:      {What: "The motor drive reports a fault.", Water: "The water runs out by itself.", Do: "Look at the drive's own display, mend the cause, then reset; where this comes again at once, reset once more."},
	OverCap:         {What: "A faster current was asked than is allowed here.", Water: "The water is held at the allowed speed.", Do: "Choose a slower pace."},
	Unattended:      {What: "Nobody has pressed anything for the idle shutoff time.", Water: "The water comes to rest.", Do: "Reset to take up the session where it stopped."},
	LongestSwim:     {What: "The longest swim allowed here is over.", Water: "The water comes to rest.", Do: "Leave the water and rest; then reset."},
	StillThere:      {What: "Still there?", Water: "Without an answer the water will come to rest.", Do: "Press any button."},
	SoftTooSlow:     {What: "The water was not coming down as it should.", Water: "The motor is switched off and the water runs out by itself.", Do: "Reset to go on."},
	PersonStop:      {What: "Stopped by a person.", Water: "The water comes to rest.", Do: "Reset, then start."},
	ProgramPanic:    {What: "A part of the program failed.", Water: "The motor is stopped and the water runs out by itself.", Do: "Start the program again; the log says what failed."},
	ProgramEnds:     {What: "The program is ending.", Water: "The motor is stopped and the water runs out by itself.", Do: "Start the program again to go on."},
	LoopSilent:      {What: "The program's control loop fell silent.", Water: "The motor is stopped and the water runs out by itself.", Do: "Reset to go on; if it happens again, start the program again."},
	WallUnread:      {What: "The stop button cannot be read.", Water: "The water runs out by itself.", Do: "Leave the water; have the wall's wiring looked at before another swim."},
	StopUntried:     {What: "The stop button has not been tried today.", Water: "The water is not driven.", Do: "Press the stop button, release it, reset, then start."},
	CoverOff:        {What: "The cover contact is open.", Water: "The motor is off; water that still moves runs out by itself.", Do: "Put the cover where it belongs, then reset."},
	WaterLevel:      {What: "The water level contact is open.", Water: "The water comes to rest.", Do: "Fill up the water, then reset."},
	NobodySeen:      {What: "Nobody is seen in the water.", Water: "The water goes on for now.", Do: "Swim where the sensor sees you, or press pause."},
	NobodySlow:      {What: "Nobody has been seen in the water for half a minute.", Water: "The water slows down.", Do: "Swim where the sensor sees you; look whether somebody needs help."},
	NobodyStop:      {What: "Nobody has been seen in the water for a minute.", Water: "The water comes to rest.", Do: "Look whether somebody needs help; then reset."},
	NobodyYet:       {What: "The count-in is over and nobody is seen in the water.", Water: "The water starts.", Do: "Get in, or press pause."},
	SensorStuck:     {What: "The occupancy sensor has not changed for an hour.", Water: "The water goes on.", Do: "Cover the sensor for a moment to see whether it still works."},
	MotorFast:       {What: "The motor turned faster than ordered.", Water: "The motor is stopped and the water runs out by itself.", Do: "Leave the water; have the drive looked at before another swim."},
	MotorSlow:       {What: "The motor does not follow its orders.", Water: "The motor is stopped and the water runs out by itself.", Do: "Look for something in the outlet or at the drive; then reset."},
	MotorTurns:      {What: "The motor turns although it should stand.", Water: "The water moves.", Do: "Leave the water and press the emergency stop."},
	OverSpeed:       {What: "The water was faster than is allowed here.", Water: "The motor is stopped and the water runs out by itself.", Do: "Have the calibration checked before another swim."},
	PersonInJog:     {What: "Somebody is seen in the water while the motor is being tried.", Water: "The motor is stopped.", Do: "Clear the water first."},
	Edited:          {What: "The configuration was changed while it was in use.", Water: "The water goes on as before.", Do: "The change counts once the flume is at rest and the program reads it again."},
	BadConfig:       {What: "The changed configuration has mistakes and was not taken.", Water: "Everything goes on as before.", Do: "Mend the file, then have it read again."},
	NotStopped:      {What: "There is nothing to reset.", Do: "Start when you are ready."},
	StillTurning:    {What: "The motor still turns.", Water: "The water still moves.", Do: "Wait until it is at rest, then try again."},
	UnderWay:        {What: "A swim is under way already.", Do: "Finish it first."},
	Installing:      {What: "An installer is at work.", Water: "Nothing but the installer moves the water.", Do: "Wait until the course is left."},
	NotInstalling:   {What: "No installer is at work.", Do: "Begin the course first."},
	NotCommissioned: {What: "This flume has not been put into service, or not for what is wired and set now.", Water: "The water is not driven.", Do: "Have the installer go through the safety part: sequencerd commission."},
	NothingLaidOut:  {What: "No session is laid out.", Do: "Choose a session first."},
	OtherSession:    {What: "In a pause only the swimmer can change, not the session.", Do: "Finish this swim first, or choose the same session."},
	SendOffMissed:   {What: "The round took longer than its send-off.", Water: "The next round starts at once.", Do: "Nudge the pace, or swim on."},
	PauseWins:       {What: "A pause was pressed at the same moment, and a pause wins.", Water: "The water comes to rest.", Do: "Resume once more to go on."},
	Stale:           {What: "That was pressed for another swim, or too late.", Do: "Look again, then press again."},
	StoreFull:       {What: "There is no room left to keep what is swum.", Water: "The water goes on.", Do: "Make room on the disk of this computer; what is swum until then is kept in memory only."},
	StoreReadOnly:   {What: "What is swum cannot be kept: the disk takes no writes.", Water: "The water goes on.", Do: "After the swim, have the disk or memory card of this computer checked."},
	StoreFailing:    {What: "What is swum cannot be kept: the disk fails.", Water: "The water goes on.", Do: "After the swim, have the disk or memory card of this computer checked."},
	StoreDamaged:    {What: "The file with what was swum is damaged.", Water: "The water goes on.", Do: "After the swim, put a backup in its place with sequencerd restore."},
	StoreSlow:       {What: "The disk is slow to keep what is swum.", Water: "The water goes on.", Do: "If this stays, have the disk or memory card of this computer checked."},
	StoreBusy:       {What: "Another sequencerd is keeping what is swum there.", Do: "End it first, or choose another folder."},
	StoreMissed:     {What: "Some of what was swum was not noted down.", Water: "The water goes on.", Do: "Take this swim's figures as too small."},
	OtherSwimmer:    {What: "Somebody else took over the swim in a pause.", Water: "The water goes on for them.", Do: "Look at the next swim for what they swam."},
	ProgramDied:     {What: "The program ended in the middle of the swim: it failed, was killed, or the power went.", Do: "Look where the swim was left before starting again."},
	MotorDrift:      {What: "In the latest swim the motor did not turn as ordered.", Water: "The water may be a little faster or slower than the pace that is shown.", Do: "Look at that swim for the figures and at the drive's parameters, then calibrate again."},
	WaterDrift:      {What: "In the latest swim the water did not flow as calibrated.", Water: "The water may be a little faster or slower than the pace that is shown.", Do: "Look at that swim for the figures and at filter, pump and flow sensor, then calibrate again."},
	CalibrationOld:  {What: "The calibration of the water is older than it should be.", Water: "The water may be a little faster or slower than the pace that is shown.", Do: "Have it measured again: sequencerd commission water."},
	ClockSet:        {What: "The clock of this computer was set.", Water: "The water goes on.", Do: "Swim on: nothing under way goes by that clock."},
	LinkSettling:    {What: "The motor has only just answered again.", Water: "The water is not driven.", Do: "Wait two seconds, then start."},
	NotUnderstood:   {What: "The request was not understood.", Do: "Load the page again and try once more."},
	NoSuchPage:      {What: "There is nothing at this address.", Do: "Go back to the deck."},
	WrongMethod:     {What: "This address is there for something else.", Do: "Go back to the deck."},
	TooLarge:        {What: "That is more text than is read here.", Do: "Send less; a session may have up to 1 MiB."},
	WrongType:       {What: "That is not the kind of text that is read here.", Do: "Send JSON to commands, and the plain text of a session to sessions."},
	BadSession:      {What: "The session has mistakes.", Do: "Mend each at the line where it stands."},
	NoSuchSession:   {What: "There is no session of that name.", Do: "Choose one from the list."},
	SessionName:     {What: "A session cannot have that name.", Do: "Use 1 to 60 letters, digits, blanks, hyphens and underlines."},
	DemoSession:     {What: "The sessions that come with the program stay as they are.", Do: "Keep it under another name, and change that."},
	NoFolder:        {What: "There is no folder here to keep sessions in.", Do: "Give the program one in its configuration."},
	NoSuchSwimmer:   {What: "There is no swimmer of that name.", Do: "Choose one from the list."},
	SwimmerLaidOut:  {What: "That swimmer is laid out on the deck.", Do: "Lay out for somebody else, or for nobody named, then forget them."},
	Unconfirmed:     {What: "This session has a pace that seems too fast.", Do: "Look at it again, and confirm it if it is meant so."},
	CourseNotHere:   {What: "The course cannot be gone through from this device.", Do: "Go through it on the flume's own computer, or set start_from = \"paired\" under [panel] in the configuration."},
	PartUnderWay:    {What: "A part of the course is under way already.", Do: "Go through it, or leave it for later."},
	NoCourse:        {What: "There is nothing to write down yet: no part of the course was gone through.", Do: "Begin the course first."},
	StartNotHere:    {What: "A swim cannot be started from this device.", Do: "Start it at the wall, or on the flume's own computer."},
	CodeNeeded:      {What: "This device is not paired with the flume.", Do: "Enter the panel's code."},
	CodeWrong:       {What: "That is not the panel's code.", Do: "Try again, or have a new one set on the flume's own computer."},
	NoCode:          {What: "No code has been set for this panel.", Do: "Set one on the flume's own computer."},
	TooManyTries:    {What: "Too many codes were tried.", Do: "Wait half a minute, then try again."},
	TooMany:         {What: "Too many requests came from here at once.", Do: "Wait a moment, then try again; stop always works."},
	OtherSite:       {What: "The request came from a page of another site.", Do: "Open the flume's own page."},
	NotKept:         {What: "It could not be written to the disk.", Do: "Look whether the disk is full or protected; the log says more."},
	LoopBusy:        {What: "The control loop did not answer in time.", Do: "Look at the water; press the wall button if it should not move."},
}
