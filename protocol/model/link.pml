/* The link of SPEC.md sections 3 and 4 as a model that a checker walks through completely: one host, one device,
 * and a line that loses, damages, doubles and holds back frames. By hand:
 *     spin -run -safety -DREQUESTS=4 -DFAULTS=2 link.pml     and, for the promise that all ends, without -safety
 *
 * What is checked, in every order in which things can happen:
 *   twice       no request is carried out twice within a boot of the device (D11, D18)
 *   stranger    no answer is taken for that of another request (D10, D11, H4, H5)
 *   told        what the host believes of a request is true: accepted, done, not done
 *   stuck       host and device never wait for each other for ever (no invalid end state)
 *   ends        once the line has done its worst, every request ends (ltl ends)
 *
 * Smaller than life, by the same rules: sequence numbers count to SPACE (32 in life), the window is WINDOW (1 to
 * 16), a session has a handful of requests. Time is absent: a timeout comes when nothing else is under way, and
 * SPURIOUS times earlier than that. A request is one act that can be interrupted; the first one is a SUPPLY apply.
 * Where a rule is left out on purpose (WITHOUT_...), the checker must find what goes wrong: so it is known to look.
 */

#ifndef SPACE
#define SPACE 4          /* NUMBER_SPACE: at least twice the window */
#endif
#ifndef WINDOW
#define WINDOW 2
#endif
#ifndef REQUESTS
#define REQUESTS 3
#endif
#ifndef FAULTS
#define FAULTS 2         /* frames lost, damaged, doubled or held back, in all */
#endif
#ifndef RESETS
#define RESETS 0         /* the device is reset */
#endif
#ifndef ABORTS
#define ABORTS 0         /* the user aborts */
#endif
#ifndef BITES
#define BITES 0          /* the watchdog bites, or the socket is opened */
#endif
#ifndef SPURIOUS
#define SPURIOUS 1       /* timeouts that come too early, KEEPALIVEs in between */
#endif
#define PLACES (2 * REQUESTS + 2)   /* sequence numbers of one session, counted without wrapping */
#define IN_LINE 5        /* frames that are under way in one direction; one more is lost */
#define NONE 255

mtype:frame = { REQUEST, ACCEPT, NAK, RESULT, HELLO, KEEPALIVE, ABORT, HELLO_REPLY, KEEPALIVE_REPLY, ABORT_REPLY,
                DAMAGED }
mtype:status = { OK, ABORTED, FAULTED, ALREADY_DONE, UNKNOWN, OUTSTANDING }
mtype:device = { D_NO_SESSION, D_OPEN, D_ENERGISED, D_RUNNING, D_STOPPING, D_FAULTED }
mtype:host = { H_CLOSED, H_GREETING, H_OPEN, H_ABORTING, H_LOST }

/* The tables of moves in SPEC.md section 4, and those of the code: a test holds the three against each other. */
#define DEVICE_MAY(from, to) ( \
    from == D_NO_SESSION && to == D_STOPPING || \
    from == D_OPEN && to == D_RUNNING || from == D_OPEN && to == D_STOPPING || from == D_OPEN && to == D_FAULTED || \
    from == D_ENERGISED && to == D_RUNNING || from == D_ENERGISED && to == D_STOPPING || \
    from == D_ENERGISED && to == D_FAULTED || \
    from == D_RUNNING && to == D_OPEN || from == D_RUNNING && to == D_ENERGISED || \
    from == D_RUNNING && to == D_FAULTED || from == D_RUNNING && to == D_STOPPING || \
    from == D_STOPPING && to == D_STOPPING || from == D_STOPPING && to == D_OPEN || \
    from == D_STOPPING && to == D_FAULTED || \
    from == D_FAULTED && to == D_RUNNING || from == D_FAULTED && to == D_STOPPING || \
    from == D_FAULTED && to == D_FAULTED )
#define HOST_MAY(from, to) ( \
    from == H_CLOSED && to == H_GREETING || from == H_CLOSED && to == H_LOST || \
    from == H_GREETING && to == H_OPEN || from == H_GREETING && to == H_LOST || \
    from == H_OPEN && to == H_ABORTING || from == H_OPEN && to == H_LOST || \
    from == H_ABORTING && to == H_OPEN || from == H_ABORTING && to == H_LOST )
#define device_to(new) assert(DEVICE_MAY(device, new)); device = new
#define host_to(new) assert(HOST_MAY(host, new)); host = new

/* A frame: kind, session, number (or tag), two fields, and for whom it is: the request that it carries or answers,
 * and its place in the session. The last two are only looked at by assertions. */
typedef Frame {
    mtype:frame kind; byte session; byte number; byte a; byte b; byte whose; byte place
}
chan down = [IN_LINE] of { Frame };
chan up = [IN_LINE] of { Frame };
Frame heard;             /* what host or device has just received; 0 in between */
Frame held;              /* a copy that the line holds back */
bool held_down, held_up;
byte faults_left = FAULTS, resets_left = RESETS, aborts_left = ABORTS, bites_left = BITES, early_left = SPURIOUS;

/* ---- what truly happened ---- */
bool begun[REQUESTS + 1];       /* carried out, in this boot */
bool finished[REQUESTS + 1];    /* carried out to its end, in this boot */
byte queued_places;             /* requests that the device has accepted in this session */
byte sent_places;               /* requests that the host has numbered in this session */

/* ---- the device ---- */
mtype:device device = D_NO_SESSION;
byte boot = 1, session, last_session, nonce;
byte expected, done = NONE;
bool nak_sent, latched, energised;
byte queue_number[WINDOW], queue_whose[WINDOW], queue_place[WINDOW], queue_len;
byte running_number, running_whose, running_place; bool runs;
byte kept_number[WINDOW], kept_whose[WINDOW], kept_place[WINDOW]; mtype:status kept_status[WINDOW];
byte highest; mtype:status highest_status;
byte hello_tag, hello_nonce; bool hello_waits;
byte abort_tag; bool abort_waits, bitten;
byte last_abort_tag, last_abort_expected; bool last_abort_known;

/* ---- the host ---- */
mtype:host host = H_CLOSED;
byte my_nonce, my_session, my_boot;
byte first;                     /* place of the oldest request without a result */
byte accepted;                  /* how many from there are accepted */
byte at[PLACES];                /* which request has which place */
bool is_done[PLACES];
bool asked[PLACES];
byte next = 1;                  /* the request that is sent next */
mtype:status fate[REQUESTS + 1];
bool unfinished[REQUESTS + 1];  /* to be sent again in the next session */
byte control_tag; mtype:frame control; bool control_waits;
byte silent;                    /* timeouts since anything was heard */
byte ended;                     /* requests whose fate is known */
byte i, j, k;                   /* for loops within one atomic step; 0 in between */

/* ---- the line ---- */
#define clear_heard heard.kind = 0; heard.session = 0; heard.number = 0; heard.a = 0; heard.b = 0; \
    heard.whose = 0; heard.place = 0
#define SEND(line, kind_, session_, number_, a_, b_, whose_, place_) \
    if :: nfull(line) -> line!kind_, session_, number_, a_, b_, whose_, place_ :: full(line) fi

/* What reaches the other side is the line's choice, made when a frame arrives. */
inline arrive(line, is_held) {
    if
    :: line?heard
    :: faults_left > 0 -> faults_left--; line?heard; clear_heard                    /* lost */
    :: faults_left > 0 -> faults_left--; line?heard; clear_heard; heard.kind = DAMAGED
    :: faults_left > 0 -> faults_left--; line?<heard>                               /* doubled: it will come again */
    :: faults_left > 0 && !held_down && !held_up && host != H_ABORTING -> faults_left--; line?heard;
       is_held = true;
       held.kind = heard.kind; held.session = heard.session; held.number = heard.number; held.a = heard.a;
       held.b = heard.b; held.whose = heard.whose; held.place = heard.place
    fi
}
#define TELL(kind_, number_, a_, b_, whose_, place_) \
    SEND(up, kind_, session, number_, a_, b_, whose_, place_)
#define ASK(kind_, session_, number_, a_, whose_, place_) \
    SEND(down, kind_, session_, number_, a_, 0, whose_, place_)

#define quiet (len(down) == 0 && len(up) == 0 && !runs && queue_len == 0 && device != D_STOPPING)

#define clear_held held.kind = 0; held.session = 0; held.number = 0; held.a = 0; held.b = 0; held.whose = 0; \
    held.place = 0; held_down = false; held_up = false

#ifdef ANY_DELAY
/* A line that holds a copy back for as long as it likes: only `twice` is promised there. */
#define recent true
#define CERTAIN(claim) skip
#else
/* A copy comes late by fewer than SPACE - WINDOW requests, a REQUEST not past an ABORT. */
#define recent (held.session != my_session || \
                held_down && sent_places < held.place + SPACE || \
                held_up && session == my_session && queued_places + WINDOW < held.place + SPACE)
#define CERTAIN(claim) assert(claim)
#endif

active proctype line() {
end:do
    :: atomic { held_down && recent -> SEND(down, held.kind, held.session, held.number, held.a, held.b, held.whose,
                                            held.place); clear_held }
    :: atomic { held_up && recent -> SEND(up, held.kind, held.session, held.number, held.a, held.b, held.whose,
                                          held.place); clear_held }
    od
}

/* ---- the device: one step each ---- */
#define rest \
    if :: latched -> device_to(D_FAULTED) \
       :: !latched && energised -> device_to(D_ENERGISED) \
       :: !latched && !energised -> device_to(D_OPEN) fi

inline keep(number_, whose_, place_, status_) {
    /* The results of the last WINDOW requests: the oldest goes (D11). */
    k = WINDOW - 1;
    do
    :: k > 0 -> kept_number[k] = kept_number[k - 1]; kept_whose[k] = kept_whose[k - 1];
       kept_place[k] = kept_place[k - 1]; kept_status[k] = kept_status[k - 1]; k--
    :: else -> break
    od;
    kept_number[0] = number_; kept_whose[0] = whose_; kept_place[0] = place_; kept_status[0] = status_;
    done = number_;
    TELL(RESULT, number_, status_, 0, whose_, place_)
}

inline forget_session() {
    k = 0;
    do
    :: k < WINDOW -> kept_number[k] = NONE; kept_whose[k] = 0; kept_place[k] = 0; kept_status[k] = 0;
       queue_number[k] = 0; queue_whose[k] = 0; queue_place[k] = 0; k++
    :: else -> k = 0; break
    od;
    queue_len = 0; expected = 0; done = NONE; nak_sent = false;
    abort_waits = false; abort_tag = 0; last_abort_known = false; last_abort_tag = 0; last_abort_expected = 0
}

inline pop_queue() {
    k = 0;
    do
    :: k < WINDOW - 1 -> queue_number[k] = queue_number[k + 1]; queue_whose[k] = queue_whose[k + 1];
       queue_place[k] = queue_place[k + 1]; k++
    :: else -> queue_number[k] = 0; queue_whose[k] = 0; queue_place[k] = 0; k = 0; break
    od;
    queue_len--
}

inline nak() {
    if :: session != 0 && !nak_sent -> nak_sent = true; TELL(NAK, expected, 0, 0, 0, queued_places) :: else fi
}

inline on_request() {
    j = (heard.number + SPACE - expected) % SPACE;
    if
    :: j == 0 && queue_len + runs < WINDOW ->
       nak_sent = false;
       queue_number[queue_len] = heard.number; queue_whose[queue_len] = heard.whose;
       queue_place[queue_len] = heard.place; queue_len++;
       CERTAIN(heard.place == queued_places);
       queued_places++; expected = (expected + 1) % SPACE;
       TELL(ACCEPT, expected, 0, 0, 0, queued_places)
    :: j == 0 && queue_len + runs >= WINDOW -> CERTAIN(false); nak()       /* no room: the host broke H5 */
    :: j > 0 && j < WINDOW -> nak()
    :: j >= WINDOW && j >= SPACE - WINDOW -> on_repeat()
    :: else                                                                    /* a stray: dropped */
    fi;
    j = 0
}

inline on_repeat() {
    i = 0; k = runs && running_number == heard.number;
    do :: i < queue_len -> k = k || queue_number[i] == heard.number; i++ :: else -> i = 0; break od;
    if
    :: k -> k = 0; TELL(ACCEPT, expected, 0, 0, 0, queued_places)
    :: else ->
       do
       :: i < WINDOW && kept_number[i] != heard.number -> i++
       :: i < WINDOW && kept_number[i] == heard.number ->
#ifdef WITHOUT_D11
          break
#else
          TELL(RESULT, heard.number, kept_status[i], 0, kept_whose[i], kept_place[i]); break
#endif
       :: i == WINDOW -> break                                                 /* never had it: dropped */
       od;
       i = 0
    fi
}

inline on_control() {
    if
    :: heard.kind == KEEPALIVE -> last_abort_known = false; last_abort_tag = 0; last_abort_expected = 0;
       TELL(KEEPALIVE_REPLY, heard.number, expected, done, 0, heard.place)
    :: heard.kind == ABORT && last_abort_known && last_abort_tag == heard.number ->
       TELL(ABORT_REPLY, heard.number, last_abort_expected, 0, 0, heard.place)
    :: heard.kind == ABORT && !(last_abort_known && last_abort_tag == heard.number) ->
       last_abort_known = false; last_abort_tag = 0; last_abort_expected = 0;
       abort_waits = true; abort_tag = heard.number; device_to(D_STOPPING)
    fi
}

inline on_hello() {
    if
    :: session != 0 && heard.a == nonce -> TELL(HELLO_REPLY, heard.number, nonce, boot, 0, 0)
    :: else ->
       hello_waits = true; hello_tag = heard.number; hello_nonce = heard.a; queue_len = 0; session = 0; nonce = 0;
       device_to(D_STOPPING)
    fi
}

inline device_stopped() {
    /* The pulse has ended, the supplies are off: D5, D17, D19. */
    if :: bitten -> bitten = false; latched = true :: else fi;
    energised = false;
    if
    :: hello_waits ->
       runs = false; running_number = 0; running_whose = 0; running_place = 0;
       hello_waits = false; last_session++; session = last_session; nonce = hello_nonce;
       forget_session(); queued_places = 0;
       TELL(HELLO_REPLY, hello_tag, nonce, boot, 0, 0); hello_tag = 0; hello_nonce = 0
    :: else ->
       if
       :: abort_waits -> abort_waits = false; last_abort_known = true; last_abort_tag = abort_tag;
          last_abort_expected = expected; TELL(ABORT_REPLY, abort_tag, expected, 0, 0, queued_places); abort_tag = 0
       :: else
       fi;
       if
       :: runs -> runs = false; keep(running_number, running_whose, running_place, ABORTED);
          running_number = 0; running_whose = 0; running_place = 0
       :: else
       fi;
       do
       :: queue_len > 0 -> keep(queue_number[0], queue_whose[0], queue_place[0], ABORTED); pop_queue()
       :: else -> break
       od
    fi;
    rest
}

#define not_run running_number = 0; running_whose = 0; running_place = 0; rest

#ifdef WITHOUT_D18
#define KNOWN(what) false
#else
#define KNOWN(what) (what)
#endif
inline begin_next() {
    running_number = queue_number[0]; running_whose = queue_whose[0]; running_place = queue_place[0]; pop_queue();
    device_to(D_RUNNING);
    if
    :: KNOWN(running_whose == highest) ->                                      /* D18: the same op, known */
       keep(running_number, running_whose, running_place, highest_status);
       not_run
    :: KNOWN(running_whose < highest) ->
       keep(running_number, running_whose, running_place, ALREADY_DONE);
       not_run
    :: !KNOWN(running_whose <= highest) && latched ->                                   /* refused: it has not begun */
       keep(running_number, running_whose, running_place, FAULTED);
       not_run
    :: !KNOWN(running_whose <= highest) && !latched ->
       assert(!begun[running_whose]);                                          /* twice */
       begun[running_whose] = true; highest = running_whose; highest_status = ABORTED;
       runs = true
    fi
}

inline reset() {
    resets_left--; boot++; session = 0; nonce = 0; latched = false; bitten = false; energised = false;
    device = D_NO_SESSION;
    forget_session();
    runs = false; running_number = 0; running_whose = 0; running_place = 0;
    highest = 0; highest_status = 0; hello_waits = false; hello_tag = 0; hello_nonce = 0;
    i = 0;
    do :: i <= REQUESTS -> begun[i] = false; finished[i] = false; i++ :: else -> i = 0; break od
}

#ifdef WITHOUT_D8
#define OF_SESSION (session != 0)
#else
#define OF_SESSION (session != 0 && heard.session == session)
#endif

active proctype the_device() {
end:do
    :: atomic { nempty(down) -> arrive(down, held_down);
         if
         :: heard.kind == 0
         :: heard.kind == DAMAGED -> nak()
         :: heard.kind == HELLO -> on_hello()
         :: heard.kind != 0 && heard.kind != DAMAGED && heard.kind != HELLO && !OF_SESSION -> skip
         :: heard.kind == REQUEST && OF_SESSION -> on_request()
         :: (heard.kind == KEEPALIVE || heard.kind == ABORT) && OF_SESSION ->
            on_control()
         fi;
         clear_heard }
    :: atomic { (device == D_OPEN || device == D_ENERGISED || device == D_FAULTED) && queue_len > 0 -> begin_next() }
    :: atomic { device == D_RUNNING -> finished[running_whose] = true; highest_status = OK; runs = false;
         if :: running_whose == 1 -> energised = true :: else fi;
         keep(running_number, running_whose, running_place, OK);
         running_number = 0; running_whose = 0; running_place = 0; rest }
    :: atomic { device == D_STOPPING -> device_stopped() }
    :: atomic { bites_left > 0 && (device == D_RUNNING || device == D_ENERGISED) ->
         bites_left--; bitten = true; device_to(D_STOPPING) }
    :: atomic { bites_left > 0 && (device == D_OPEN || device == D_ENERGISED) ->
         bites_left--; latched = true; energised = false; device_to(D_FAULTED) }
    :: atomic { resets_left > 0 -> reset() }
    od
}

/* ---- the host: one step each ---- */
#define in_flight (sent_places - first)

inline send_request(place_) {
    ASK(REQUEST, my_session, place_ % SPACE, 0, at[place_], place_)
}

inline ends_as(whose_, status_) {
    CERTAIN(fate[whose_] == OUTSTANDING);
    fate[whose_] = status_; ended++
}

inline send_unaccepted() {
    i = first + accepted;
    do :: i < sent_places -> send_request(i); i++ :: else -> i = 0; break od
}

inline accept_to(offset_) {
    /* H6, D12: told. */
    if
    :: offset_ > accepted && offset_ <= in_flight ->
       CERTAIN(first + offset_ <= queued_places || my_session != session);
       accepted = offset_
    :: else
    fi
}

inline ask_up_to(number_) {
    /* H8: whoever stands before a result has lost its own. */
    j = (number_ + SPACE - first % SPACE) % SPACE;
    if
    :: j < accepted ->
       i = first;
       do
       :: i <= first + j ->
          if :: !is_done[i] && !asked[i] -> asked[i] = true; send_request(i) :: else fi;
          i++
       :: else -> i = 0; break
       od
    :: else
    fi;
    j = 0
}

inline take_result() {
    j = (heard.number + SPACE - first % SPACE) % SPACE;
    if
    :: j < in_flight && !is_done[first + j] ->
       CERTAIN(heard.whose == at[first + j] && heard.place == first + j);      /* stranger */
       k = at[first + j];
       CERTAIN(heard.a != OK || finished[k] || my_boot != boot);               /* told */
       CERTAIN(heard.a != FAULTED || !begun[k] || my_boot != boot);
       if
       :: heard.a == OK -> ends_as(k, OK)
       :: heard.a == ABORTED -> ends_as(k, ABORTED)
       :: heard.a == FAULTED -> ends_as(k, FAULTED)
       :: heard.a == ALREADY_DONE -> ends_as(k, ALREADY_DONE)
       fi;
       k = 0;
       accept_to(j + 1);
       is_done[first + j] = true;
       do
       :: first < sent_places && is_done[first] -> is_done[first] = false; asked[first] = false; at[first] = 0;
          first++; accepted--
       :: else -> break
       od;
       ask_up_to(heard.number)
    :: else
    fi;
    j = 0
}

inline take_nak() {
    j = (heard.number + SPACE - first % SPACE) % SPACE;
    if
    :: j <= in_flight && j >= accepted -> accept_to(j); if :: host == H_OPEN -> send_unaccepted() :: else fi
    :: else
    fi;
    j = 0
}

inline take_keepalive() {
    control_waits = false; control = 0;
    j = (heard.a + SPACE - first % SPACE) % SPACE;
    CERTAIN(j <= in_flight);
    if
    :: j < accepted -> CERTAIN(!is_done[first + j]); accepted = j; send_unaccepted()
    :: j >= accepted -> accept_to(j)
    fi;
    j = 0;
#ifndef WITHOUT_H8
    if :: heard.b != NONE -> ask_up_to(heard.b) :: else fi
#endif
}

inline take_abort() {
    /* D17: what was not accepted ends here, and was never carried out. */
    control_waits = false; control = 0;
    j = (heard.a + SPACE - first % SPACE) % SPACE;
    CERTAIN(j <= in_flight);
    i = first + j;
    do
    :: i < sent_places ->
       CERTAIN(!is_done[i] && (!begun[at[i]] || my_boot != boot));
       ends_as(at[i], ABORTED); at[i] = 0; asked[i] = false; i++
    :: else -> i = 0; break
    od;
    sent_places = first + j; accepted = j; j = 0;
    host_to(H_OPEN)
}

inline welcome() {
    host_to(H_OPEN); my_session = heard.session; first = 0; accepted = 0; sent_places = 0; next = REQUESTS + 1;
    control_waits = false;
    /* D18 in the same boot: the same requests again, under new numbers. H10 after a reset: their fate is unknown. */
    i = 1;
    do
    :: i <= REQUESTS ->
       if
       :: fate[i] == OUTSTANDING && unfinished[i] && my_boot != heard.b -> ends_as(i, UNKNOWN)
       :: else
       fi;
       if :: fate[i] == OUTSTANDING && next > i -> next = i :: else fi;
       i++
    :: else -> i = 0; break
    od;
    my_boot = heard.b
}

inline lose() {
    i = 0;
    do
    :: i < PLACES -> at[i] = 0; is_done[i] = false; asked[i] = false; i++
    :: else -> i = 0; break
    od;
    host_to(H_LOST); my_session = 0; first = 0; accepted = 0; sent_places = 0; silent = 0;
    control_waits = false; control = 0; control_tag = 0
}

inline forget_copy() {
#ifndef ANY_DELAY
    if :: held_down && held.kind == REQUEST -> clear_held :: else fi
#else
    skip
#endif
}

inline ask_control(kind_) {
    control_tag = (control_tag + 1) % SPACE; control = kind_; control_waits = true;
    ASK(kind_, my_session, control_tag, 0, 0, sent_places)
}

inline on_timeout() {
    /* H7, H8, H11 and section 9: what is overdue is sent again. */
    if
    :: control_waits -> if :: control == ABORT -> ASK(ABORT, my_session, control_tag, 0, 0, sent_places)
                           :: control == KEEPALIVE -> ASK(KEEPALIVE, my_session, control_tag, 0, 0, sent_places) fi
    :: !control_waits && accepted < in_flight -> send_unaccepted()
    :: !control_waits && accepted == in_flight ->
       i = first; do :: i < sent_places -> asked[i] = false; i++ :: else -> i = 0; break od;
       ask_control(KEEPALIVE)
    fi
}

#ifdef WITHOUT_H4
#define MY_SESSION true
#else
#define MY_SESSION (heard.session == my_session)
#endif

active proctype the_host() {
    atomic { i = 1; do :: i <= REQUESTS -> fate[i] = OUTSTANDING; i++ :: else -> i = 0; break od }
end:do
    :: atomic { host == H_CLOSED -> my_nonce++; host_to(H_GREETING); ASK(HELLO, 0, 0, my_nonce, 0, 0) }
    :: atomic { host == H_LOST -> host = H_CLOSED }                                /* a new link */
    :: atomic { (host == H_CLOSED || host == H_GREETING) && early_left > 0 -> early_left--; lose() }
    :: atomic { host == H_GREETING && quiet -> ASK(HELLO, 0, 0, my_nonce, 0, 0) }
    :: atomic { host == H_OPEN && next <= REQUESTS && in_flight < WINDOW && sent_places < PLACES ->
         at[sent_places] = next; unfinished[next] = true; sent_places++; send_request(sent_places - 1);
         do :: next++; if :: next > REQUESTS -> break :: next <= REQUESTS && fate[next] == OUTSTANDING -> break
                          :: else fi od }
    :: atomic { (host == H_OPEN || host == H_ABORTING) && quiet && (in_flight > 0 || control_waits) && silent < 2 ->
         silent++; on_timeout() }
    :: atomic { host == H_OPEN && early_left > 0 && in_flight > 0 -> early_left--; on_timeout() }
    :: atomic { (host == H_OPEN || host == H_ABORTING) && quiet && silent == 2 -> lose() }
    :: atomic { host == H_OPEN && aborts_left > 0 -> aborts_left--; host_to(H_ABORTING);
         forget_copy(); ask_control(ABORT) }
    :: atomic { nempty(up) -> arrive(up, held_up);
         if
         :: host == H_GREETING && heard.kind == HELLO_REPLY && heard.a == my_nonce -> welcome()
         :: (host == H_OPEN || host == H_ABORTING) && heard.kind != 0 && MY_SESSION && heard.kind != DAMAGED ->
            silent = 0;
            if
            :: heard.kind == ACCEPT -> j = (heard.number + SPACE - first % SPACE) % SPACE; accept_to(j); j = 0
            :: heard.kind == RESULT -> take_result()
            :: heard.kind == NAK -> take_nak()
            :: heard.kind == KEEPALIVE_REPLY && control_waits && control == KEEPALIVE && heard.number == control_tag ->
               take_keepalive()
            :: heard.kind == ABORT_REPLY && control_waits && control == ABORT && heard.number == control_tag ->
               take_abort()
            :: else
            fi
         :: else                                                               /* H4: not ours */
         fi;
         clear_heard }
    od
}

ltl ends { <> (ended == REQUESTS) }
