/* For tests alone: holds a file open as a program does that shares it with nobody, until its own
   standard input ends. */
#include <stdio.h>
#include <windows.h>

int main(int count, char **arguments) {
    HANDLE file = CreateFileA(count == 2 ? arguments[1] : "", GENERIC_READ | GENERIC_WRITE, 0, NULL,
                              OPEN_EXISTING, FILE_ATTRIBUTE_NORMAL, NULL);
    if (file == INVALID_HANDLE_VALUE) return 1;
    puts("held");
    fflush(stdout);
    while (getchar() != EOF) continue;
    return 0;
}
