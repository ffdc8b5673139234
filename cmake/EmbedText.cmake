# cmake -DNAME=symbol -DOUT=file.cpp "-DIN=a;b" -P EmbedText.cmake
# Writes the texts of IN, one after the other, as a function of coldframe::view.
set(text "")
foreach(file IN LISTS IN)
  file(READ "${file}" part)
  string(APPEND text "${part}\n")
endforeach()
if(text MATCHES "\\)COLDFRAME_TEXT\"")
  message(FATAL_ERROR "${IN}: holds the end mark of an embedded text")
endif()
file(WRITE "${OUT}" "// Made at build time from ${NAME}'s sources; do not edit.\n#include \"view/html.hpp\"\n\nnamespace coldframe::view {\n\nconst char* ${NAME}() noexcept {\n  return R\"COLDFRAME_TEXT(${text})COLDFRAME_TEXT\";\n}\n\n}  // namespace coldframe::view\n")
