/* A process that has aligned forks: its child can align too. Argument: the folder of the demo recordings; without it
 * no files are read. */
#define _POSIX_C_SOURCE 200809L
#include <sys/wait.h>
#include <unistd.h>

#include "test.h"

static void align(const coeval_track *a, const coeval_track *b, const char *folder) {
    coeval_error *error = coeval_error_new();
    coeval_pair_options *options = coeval_pair_options_new();
    coeval_pair *pair = NULL;
    coeval_pair_summary summary;
    size_t threads;
    CHECK(coeval_pair_options_set_threads(options, 100000, error) == COEVAL_INVALID_ARGUMENT);
    CHECK(strstr(coeval_error_text(error), "threads") != NULL);
    for (threads = 0; threads < 4; threads++) {
        CHECK_OK(coeval_pair_options_set_threads(options, threads, error), error);
        CHECK_OK(coeval_pair_align(a, b, options, NULL, NULL, &pair, error), error);
        summary.struct_size = sizeof summary;
        CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
        CHECK(summary.placed == 1);
        coeval_pair_free(&pair);
    }
    if (folder != NULL) {
        coeval_shoot *shoot = coeval_shoot_new();
        coeval_alignment *alignment = NULL;
        coeval_voices *voices = NULL;
        CHECK_OK(coeval_shoot_add_path(shoot, folder, error), error);
        CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), error);
        CHECK_OK(coeval_alignment_hear(alignment, folder, 0, NULL, NULL, &voices, error), error);
        coeval_voices_free(&voices);
        coeval_alignment_free(&alignment);
        coeval_shoot_free(&shoot);
    }
    coeval_pair_options_free(&options);
    coeval_error_free(&error);
}

int main(int argc, char **argv) {
    const char *folder = argc > 1 ? argv[1] : NULL;
    coeval_track *a = make_track(48000.0, 0, 10 * 48000, 11), *b = make_track(48000.0, 48000, 8 * 48000, 12);
    int status, i;
    align(a, b, folder);
    for (i = 0; i < 3; i++) {
        pid_t child;
        fflush(NULL);
        child = fork();
        CHECK(child >= 0);
        if (child == 0) {
            /* A child that hangs is ended, and seen to have been. */
            alarm(120);
            align(a, b, i == 0 ? folder : NULL);
            _exit(0);
        }
        CHECK(waitpid(child, &status, 0) == child);
        CHECK(WIFEXITED(status) && WEXITSTATUS(status) == 0);
        align(a, b, NULL);
    }
    coeval_track_free(&a);
    coeval_track_free(&b);
    return finished("fork");
}
